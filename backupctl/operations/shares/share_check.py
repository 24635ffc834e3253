"""What is wrong with the network shares that this machine mounts, or is told to mount."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from shlex import quote
from typing import Any

from backupctl.board.abandonable import Stalled, within
from backupctl.board.beneath import hidden_names, names_in
from backupctl.board.mount_tables import Listed, network_entries, read_fstab
from backupctl.board.mounts import is_network, read_mounts
from backupctl.domain.errors import BackupctlError
from backupctl.formats.fstab import parse_fstab, same_place
from backupctl.formats.mountinfo import Mount, mount_of
from backupctl.operations.progress import Reporter, Step
from backupctl.operations.shares.share_faults import Fault, fault_of_line, faults_of_entry
from backupctl.operations.shares.share_identity import Identity, identity_at, remembered

# Longer than an automount waits for its server.
ANSWER_SECONDS = 65.0

MOUNTED, NOT_MOUNTED, NO_ANSWER = "mounted", "not mounted", "no answer"
_USER = re.compile("^//[^/]*@")  # and perhaps a password
_NAMED = 3  # of files that a mount hides


@dataclass(frozen=True)
class _Seen:
    """What a look into a mount point showed."""

    owner: int
    mode: int
    names: list[str]
    hidden: list[str]  # in the folder beneath the mount
    identities: dict[str, Identity]  # by folder: the mount point itself, and what is known to be in it
    broken_marks: list[str]


@dataclass(frozen=True)
class _Machine:
    root: Path
    seconds: float
    listed: list[Listed]
    known: dict[str, Identity]
    reporter: Reporter


def check_shares(
    state_folder: Path, reporter: Reporter, root: Path = Path("/"), seconds: float = ANSWER_SECONDS
) -> dict[str, Any]:
    """Behind `share check`. `root` as in `mount_tables`; each share has `seconds` to answer. Raises OSError."""
    faulty = {line.number: fault for line in parse_fstab(read_fstab(root)) if (fault := fault_of_line(line))}
    listed = [each for each in network_entries(root) if each.line is None or each.line.number not in faulty]
    machine = _Machine(root, seconds, listed, remembered(state_folder), reporter)
    shares = [_check(each.entry.mount_point, each, machine) for each in listed]
    for mount in read_mounts(root):
        if is_network(mount) and not any(same_place(share["mount"], mount.mount_point) for share in shares):
            shares.append(_check(mount.mount_point, None, machine))
    lines = [{"place": f"/etc/fstab, line {number}", "faults": [asdict(fault)]} for number, fault in faulty.items()]
    return {"lines": lines, "shares": shares}


def is_fine(result: dict[str, Any]) -> bool:
    """Whether there is a share, and nothing wrong with any."""
    return bool(result["shares"]) and not any(item["faults"] for item in [*result["lines"], *result["shares"]])


def _check(mount_point: str, listed: Listed | None, machine: _Machine) -> dict[str, Any]:
    if listed is None:
        faults = [Fault("it was mounted by hand: after the next boot it is not there", "See `backupctl share plan`.")]
    else:
        faults = [*faults_of_entry(listed, machine.listed, machine.root)]
    machine.reporter.step(Step(f"looking into {mount_point}", 0, 0))
    seen, trouble, lost = _look_in_time(mount_point, machine)
    mount = mounted_share(mount_point, machine.root)  # after the look, which has an automount mount
    faults += _state_faults(mount_point, listed, mount, seen)
    faults += trouble
    if mount is not None and seen is not None:
        faults += _content_faults(mount_point, mount, seen, machine.known)
    identity = seen.identities.get(mount_point) if seen is not None and mount is not None else None
    return {
        "mount": mount_point,
        "source": _USER.sub("//...@", listed.entry.source if listed else mount.source if mount else ""),
        "type": listed.entry.fstype if listed else mount.fstype if mount else "",
        "place": listed.place if listed else None,
        "state": NO_ANSWER if lost else MOUNTED if mount else NOT_MOUNTED,
        "share": str(identity) if identity else None,
        "faults": [asdict(fault) for fault in faults],
    }


def mounted_share(mount_point: str, root: Path) -> Mount | None:
    """The network file system that is in force there."""
    found = mount_of(mount_point, read_mounts(root))
    return found if found and same_place(found.mount_point, mount_point) and is_network(found) else None


def _look_in_time(mount_point: str, machine: _Machine) -> tuple[_Seen | None, list[Fault], bool]:
    """What is there, or what is the trouble; and whether that is a lost server."""
    folders = [folder for folder in machine.known if Path(folder).is_relative_to(mount_point)]
    try:
        told = within(machine.seconds, mount_point, lambda: asdict(_look(mount_point, folders, machine.root)))
    except Stalled as error:
        return None, [Fault(f"the server is lost: {error.cause}", "Is it on, and does `ping` reach it?")], True
    except FileNotFoundError:
        return None, [Fault("there is no such folder to mount on", f"mkdir -p {quote(mount_point)}")], False
    except NotADirectoryError:
        return None, [Fault("the mount point is no folder", "Choose another one.")], False
    except PermissionError:
        return None, [Fault("this user may not look into it", "Run this as root.")], False
    except OSError as error:
        return None, [Fault(f"the server is lost: {error.strerror}", "Is it on? Are its name and account right?")], True
    identities = {folder: Identity(**found) for folder, found in told.pop("identities").items()}
    return _Seen(**told, identities=identities), [], False


def _look(mount_point: str, known_folders: list[str], root: Path) -> _Seen:
    """Blocks if the share does; done in a process of its own."""
    folder = os.open(mount_point, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)  # opening it is what an automount takes
    found = os.fstat(folder)
    names = names_in(folder)[:_NAMED]
    identities, broken = {}, []
    for place in {mount_point, *known_folders}:
        try:
            identity = identity_at(Path(place))
        except BackupctlError as error:
            broken.append(f"{place}: {error.cause}")
            continue
        if identity is not None:
            identities[place] = identity
    try:
        hidden = hidden_names(mount_point, read_mounts(root))[:_NAMED]
    except OSError:  # not as root, or on a kernel without open_tree: nothing is said of it
        hidden = []
    return _Seen(found.st_uid, stat.S_IMODE(found.st_mode), names, hidden, identities, broken)


def _state_faults(mount_point: str, listed: Listed | None, mount: Mount | None, seen: _Seen | None) -> Iterator[Fault]:
    if mount is None and seen is not None:
        yield Fault("it is not mounted now", f"Try `mount {quote(mount_point)}`, which says why.")
        if seen.names:
            yield Fault(f"the mount point holds files of this machine: {', '.join(seen.names)}", _LOOK_BENEATH)
    if mount is not None and seen is not None and seen.hidden:
        yield Fault(f"beneath the mount lie files of this machine: {', '.join(seen.hidden)}", _LOOK_BENEATH)
    if listed is None or mount is None:
        return
    if _plain(mount.source) != _plain(listed.entry.source):
        yield Fault(f"what is mounted is another share, {mount.source}", f"Try `umount {quote(mount_point)}`.")
    if mount.read_only and "ro" not in listed.entry.options:
        yield Fault(
            "it is mounted read-only, which was not asked for", "Look at the account's rights; then mount it again."
        )


_LOOK_BENEATH = "Unmount it, look at them, and move them away: they take room on the card."


def _plain(source: str) -> str:
    return source.replace("\\", "/").rstrip("/").casefold()


def _content_faults(mount_point: str, mount: Mount, seen: _Seen, known: dict[str, Identity]) -> Iterator[Fault]:
    for folder, expected in known.items():
        if not Path(folder).is_relative_to(mount_point):
            continue
        found = seen.identities.get(folder)
        if found != expected:
            yield Fault(
                f"{folder} is {found or 'no share'}, and was {expected}", "Write nothing there before you know why."
            )
    for broken in seen.broken_marks:
        yield Fault(f"its mark cannot be read: {broken}", "Bring it back from a snapshot of the NAS.")
    if not seen.identities:
        return  # it is for something else, or not a share yet
    # Of NFS, owners are the server's.
    if mount.fstype in ("cifs", "smb3") and seen.owner != 0:
        yield Fault(f"all on it belongs to user {seen.owner}, who can read every secret in the captures", "Set uid=0.")
    if seen.mode & 0o007:
        yield Fault("all users of this machine can read the captures", "Set file_mode=0600 and dir_mode=0700.")
