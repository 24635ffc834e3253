"""Mounting a share beside the others, to look at it. Tests put another function in the place of `mounted_aside`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from backupctl.board.mounts import read_mounts
from backupctl.board.process import ProgramFailed, ProgramTimedOut, run
from backupctl.domain.errors import BackupctlError, Refused

# A source, the type of its file system, and options, to a folder that shows it until the block ends.
Mounting = Callable[[str, str, Sequence[str]], AbstractContextManager[Path]]

_MOUNT_SECONDS = 60.0
_UNMOUNT_SECONDS = 30.0


@contextmanager
def mounted_aside(source: str, fstype: str, options: Sequence[str]) -> Iterator[Path]:
    """Mounts it on a folder of its own. Raises Refused with what mount(8) says, and as `run` does.

    `options` stand in the list of processes for as long as mount runs: no password may be among them.
    """
    folder = Path(tempfile.mkdtemp(prefix="backupctl-look-"))
    try:
        try:
            run(["mount", "-t", fstype, "-o", ",".join(options), "--", source, folder], _MOUNT_SECONDS)
        except (ProgramFailed, ProgramTimedOut) as error:
            raise Refused(f"{source} cannot be mounted: {error.cause}", "Nothing was changed.") from None
        yield folder
    finally:
        if any(mount.mount_point == str(folder) for mount in read_mounts()):
            _unmount(folder)
        folder.rmdir()  # never what is in it: that may still be the share


def mount_listed(mount_point: Path, fstab: Path) -> None:
    """Mounts what that table has for it (mount(8), --fstab). Raises Refused with what mount says, and as `run` does."""
    try:
        run(["mount", "--fstab", fstab, "--", mount_point], _MOUNT_SECONDS)
    except (ProgramFailed, ProgramTimedOut) as error:
        raise Refused(f"{mount_point} cannot be mounted: {error.cause}") from None


def _unmount(folder: Path) -> None:
    try:
        run(["umount", folder], _UNMOUNT_SECONDS)
    except BackupctlError:
        run(["umount", "--lazy", folder], _UNMOUNT_SECONDS)  # it goes once the server answers, or never does
