"""Mounts that only this thread and what it starts can see, and that are gone when they are, however they end.

Sources: mount_namespaces(7), unshare(2), mount(2).
"""

from __future__ import annotations

import ctypes
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from backupctl.board.loop_device import loop_device
from backupctl.board.process import ProgramFailed, ProgramTimedOut, run
from backupctl.domain.errors import Refused

_NEW_MOUNTS = 0x20000  # CLONE_NEWNS of linux/sched.h
_RECURSIVE_SLAVE = 0x4000 | 0x80000  # MS_REC | MS_SLAVE of linux/mount.h
_SECONDS = 600.0  # an unmount writes out what memory holds

_libc = ctypes.CDLL(None, use_errno=True)


def enter_private_mounts() -> None:
    """From now on, what this thread mounts nobody else sees; what others mount, it still does. Raises Refused."""
    if _libc.unshare(_NEW_MOUNTS) or _libc.mount(b"none", b"/", None, ctypes.c_ulong(_RECURSIVE_SLAVE), None):
        raise Refused(
            f"file systems cannot be mounted here: {os.strerror(ctypes.get_errno())}", "Run the command as root."
        )


@contextmanager
def mounted_privately(file: int, fstype: str, options: str = "") -> Iterator[Path]:
    """The file system in `file`, a descriptor that is open for writing, at a folder of its own.

    To be used after `enter_private_mounts`. Raises Refused with what mount(8) says; BackupctlError where it cannot be
    written out at the end.
    """
    folder = Path(tempfile.mkdtemp(prefix="backupctl-making-"))
    try:
        with loop_device(file) as device:
            try:
                run(["mount", "-t", fstype, "-o", options or "rw", "--", device, folder], _SECONDS)
            except (ProgramFailed, ProgramTimedOut) as error:
                raise Refused(
                    f"a new {fstype} cannot be mounted here: {error.cause}",
                    "Nothing was written. Does this machine's kernel know it?",
                ) from None
        try:
            yield folder
        finally:
            run(["umount", folder], _SECONDS)
    finally:
        folder.rmdir()
