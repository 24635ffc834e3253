"""Whether the share is there, is the right one, and does what is asked of it.

All of this is done by children that are left behind if the share does not answer in time.
"""

from __future__ import annotations

import errno
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from backupctl.board.abandonable import Stalled, within
from backupctl.board.mounts import is_network_type, mount_of
from backupctl.domain.errors import BackupctlError
from backupctl.domain.units import size
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import OK, REFUSE, WARNING, Check
from backupctl.operations.shares.share_check import ANSWER_SECONDS
from backupctl.operations.shares.share_identity import Identity, identity_at, remembered
from backupctl.share.marks import read_share_mark, read_shelf_mark
from backupctl.share.probe import Probed, probe
from backupctl.share.storage import FolderStorage

IS_IT_MOUNTED = "Is the network share mounted? Its mount point is an ordinary folder now."
_IS_IT_RIGHT = "Is its path right, and the share mounted?"
_PROBE_SECONDS = 120.0
_GONE = (errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ENETDOWN, errno.ENETUNREACH, errno.ECONNABORTED, errno.ECONNRESET,
         errno.ECONNREFUSED, errno.ENOTCONN, errno.ETIMEDOUT, errno.EIO)  # fmt: skip


@dataclass(frozen=True)
class _Seen:
    """A share as a child has seen it: its mount, and its mark if it has one."""

    place: str  # the folder, without symbolic links
    fstype: str
    source: str
    mount_point: str
    read_only: bool
    on_system_disk: bool
    identity: Identity | None
    same_machine: bool


def look_at_share(folder: Path, facts: Facts, seconds: float = ANSWER_SECONDS) -> list[Check]:
    """The mount, and which share it is."""
    try:
        told = within(seconds, str(folder), lambda: asdict(_look(folder)))
    except Stalled as error:
        return [Check("mount", REFUSE, error.cause, error.hint)]
    except (OSError, BackupctlError) as error:
        return [_unreachable(folder, error)]
    identity = told.pop("identity")
    seen = _Seen(**told, identity=Identity(**identity) if identity else None)
    expected = remembered(facts.state_folder).get(seen.place)
    return [_mount(seen), _which(folder, seen, expected)]


def _look(folder: Path) -> _Seen:
    mount = mount_of(folder)
    storage = FolderStorage(folder)
    mark = read_share_mark(storage) or read_shelf_mark(storage)
    on_system_disk = folder.stat().st_dev == Path("/").stat().st_dev
    return _Seen(
        str(folder.resolve()), mount.fstype, mount.source, mount.mount_point, mount.read_only, on_system_disk,
        identity_at(folder), mark is not None and mark.same_machine,
    )  # fmt: skip


def _unreachable(folder: Path, error: OSError | BackupctlError) -> Check:
    if isinstance(error, BackupctlError):
        return Check("mount", REFUSE, error.cause, error.hint or _IS_IT_RIGHT)
    if error.errno == errno.ENOENT:
        return Check("mount", REFUSE, f"there is no folder {folder}", _IS_IT_RIGHT)
    if error.errno == errno.ENOTDIR:
        return Check("mount", REFUSE, f"{folder} is no folder", _IS_IT_RIGHT)
    if error.errno == errno.ESTALE:
        said = f"{folder} is stale: the server has something else there by now"
        return Check("mount", REFUSE, said, "Unmount it, and mount it again.")
    if error.errno in _GONE:
        said = f"the server of {folder} does not answer: {error.strerror}"
        return Check("mount", REFUSE, said, "Is it on, and reachable?")
    return Check("mount", REFUSE, f"{folder} cannot be looked into: {error.strerror}", "May this user read there?")


def _mount(seen: _Seen) -> Check:
    where = f"{seen.fstype} {seen.source} at {seen.mount_point}"
    if seen.fstype == "autofs":
        return Check("mount", REFUSE, f"nothing could be mounted at {seen.mount_point}", "See `backupctl share check`.")
    if seen.read_only:
        return Check(
            "mount", REFUSE, f"it is read-only: {where}", "Mount it again to write; `backupctl share check` says more."
        )
    if seen.same_machine:
        said = "a folder of this machine: no protection against losing the machine (its owner knows)"
        return Check("mount", OK, said)
    if is_network_type(seen.fstype):
        return Check("mount", OK, where)
    said = f"the share is on {seen.fstype} ({seen.source}), which is no network mount"
    if seen.identity is None or seen.on_system_disk:
        return Check("mount", REFUSE, said, IS_IT_MOUNTED)
    meant = "If that is meant: backupctl share adopt DIR --same-machine, for a share of its own."
    return Check("mount", WARNING, said, meant)


def _which(folder: Path, seen: _Seen, expected: Identity | None) -> Check:
    found = seen.identity
    if expected is not None and found != expected:
        said = f"{folder} is {found or 'no share'}, and was {expected}"
        return Check("share", REFUSE, said, "Nothing was written. Which share is mounted there, and why?")
    if found is None:
        return Check(
            "share", REFUSE, f"{folder} is not a share of this program: it has no mark",
            f"Is the share mounted? If this is the right folder, say: backupctl share adopt {folder}",
        )  # fmt: skip
    return Check("share", OK, f"{folder} is {found}" + ("" if expected is None else ", as before"))


def probe_share(folder: Path, seconds: float = _PROBE_SECONDS) -> tuple[Check, Probed | None]:
    """Whether what is written to `folder`, a shelf or a share, comes back; and what that showed."""
    name = "write probe"
    try:
        told = within(seconds, str(folder), lambda: asdict(probe(FolderStorage(folder))))
    except BackupctlError as error:
        return Check(name, REFUSE, error.cause, error.hint), None
    except OSError as error:
        return Check(name, REFUSE, *_refused_write(error)), None
    probed = Probed(**told)
    said = f"written at {size(probed.written)}/s, read back at {size(probed.read)}/s, and equal"
    return Check(name, OK, said), probed


def _refused_write(error: OSError) -> tuple[str, str]:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "there is no room left on the share", "Make room on the NAS, or: backupctl thin"
    if error.errno == errno.EROFS:
        return "the share is read-only", "Mount it again to write; the kernel's log may say why it is."
    if error.errno in (errno.EACCES, errno.EPERM):
        return "this user may not write to the share", "Look at the rights of the account on the server."
    return f"the share cannot be written to: {os.strerror(error.errno or 0)}", "Look at the NAS, and the network."
