"""What is wrong with a line of fstab or a mount unit, by what stands in it alone, in plain words."""

from __future__ import annotations

import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path

from backupctl.board.mount_tables import Listed, has_helper
from backupctl.board.mounts import is_network_type
from backupctl.formats.fstab import Entry, Line, same_place
from backupctl.formats.systemd_unit import unit_name
from backupctl.operations.shares.share_apply import warnings_here
from backupctl.operations.shares.share_trial import has_password

_ESCAPE_IT = r"Write each space as \040: `backupctl share plan` does, and quotes do not work there."


@dataclass(frozen=True)
class Fault:
    """`todo` is what to do about it."""

    what: str
    todo: str


def fault_of_line(line: Line) -> Fault | None:
    """For a line of fstab that was meant for a network share, and says something else, or nothing."""
    fields = list(takewhile(lambda field: not field.startswith("#"), line.text.split()))
    place = next((n for n, field in enumerate(fields) if n > 1 and is_network_type(field)), None)
    if not fields or (place is None and not re.match(r"[\"']?//", fields[0])):
        return None
    if place is not None and place > 2:
        # The mount point is the last field before the type that can be one.
        at = max((n for n, field in enumerate(fields[:place]) if n and re.match(r"[\"']?/", field)), default=1)
        first = " ".join(fields[:at]).strip("\"'")
        second = " ".join(fields[at:place]).strip("\"'")
        where = f"the name of the share, {first!r}" if at > 1 else f"the mount point, {second!r}"
        return Fault(f"a space in {where}, ends it there: mount reads something else, or nothing", _ESCAPE_IT)
    quoted = [field for field in fields[:2] if re.search(r"^[\"']|[\"']$|/\"", field)]
    if quoted:
        return Fault(f"quotes are part of the name in fstab: {quoted[0]}", _ESCAPE_IT)
    if line.fault:
        return Fault(f"mount ignores the line: {line.fault}", "Correct it; fstab(5) has the six fields.")
    return None


def faults_of_entry(listed: Listed, others: Sequence[Listed], root: Path) -> Iterator[Fault]:
    """Everything that can be told without looking at the mount itself."""
    entry = listed.entry
    for other in others:
        if other is not listed and same_place(other.entry.mount_point, entry.mount_point):
            yield Fault(f"{other.place} is for the same mount point", "Leave one of them.")
    if not has_helper(entry.fstype, root):
        yield Fault(warnings_here(entry, root)[0], "Install it.")
    if entry.fstype in ("cifs", "smb3"):
        yield from _account_faults(entry, root)
    yield from _boot_faults(listed)


def _account_faults(entry: Entry, root: Path) -> Iterator[Fault]:
    given = dict(option.partition("=")[::2] for option in entry.options)
    in_file = "`backupctl share plan` puts it into a file that root alone can read."
    if has_password(entry):
        yield Fault("the password stands in the table, which everybody on this machine can read", in_file)
        return
    if "guest" in given:
        yield Fault(
            "it is mounted as a guest: everybody in the network can read and remove what is on it",
            "Give this board an account on the server.",
        )
    path = given.get("credentials", given.get("cred"))
    if path:
        yield from _credentials_faults(root / path.lstrip("/"), path)
    elif not {"guest", "sec", "password"} & given.keys():
        yield Fault("no credentials: mount would ask for a password, and at boot nobody is there to answer", in_file)


def _credentials_faults(file: Path, path: str) -> Iterator[Fault]:
    try:
        found = file.stat()
        text = file.read_text(errors="replace") if stat.S_ISREG(found.st_mode) else ""
    except (FileNotFoundError, NotADirectoryError):
        yield Fault(f"the credentials file {path} is missing", "`backupctl share plan --apply` makes one.")
        return
    except PermissionError:
        return  # for this user; which is as it should be
    except OSError as error:
        yield Fault(f"the credentials file {path} cannot be read: {error.strerror}", "Make it anew.")
        return
    if stat.S_IMODE(found.st_mode) & 0o077:
        yield Fault(f"others can read the password in {path}", f"chmod 600 {path}; then change the password.")
    if found.st_uid != 0:
        yield Fault(f"{path} belongs to user {found.st_uid}, who can read the password", f"chown root {path}")
    names = {line.partition("=")[0].strip() for line in text.splitlines()}
    if not {"username", "user"} & names or not {"password", "pass"} & names:
        yield Fault(f"{path} does not name a user and a password", "It needs username= and password=, a line each.")


def _boot_faults(listed: Listed) -> Iterator[Fault]:
    entry = listed.entry
    if listed.line and "nofail" not in entry.options:
        yield Fault("nofail is missing: with the server off, the board waits at boot, or stops there", "Add nofail.")
    if not listed.automount:
        adding = "Add x-systemd.automount." if listed.line else "Enable an .automount unit for it."
        how = "mounted once, at boot, when the network may not be there yet" if listed.at_boot else "mounted by nobody"
        yield Fault(f"it is {how}, instead of when it is first used", adding)
    if entry.pass_number:
        yield Fault(
            "the last field asks for a check at boot, which a share can't have", "Make the last two fields 0 0."
        )
    if not listed.line and listed.file.name != unit_name(entry.mount_point, "mount"):
        yield Fault(
            f"systemd ignores a unit of that name for {entry.mount_point}",
            f"Name it {unit_name(entry.mount_point, 'mount')}.",
        )
