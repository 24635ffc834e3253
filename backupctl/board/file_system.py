"""One file system of this machine, by an open file or folder on it."""

from __future__ import annotations

import ctypes
import os

_libc = ctypes.CDLL(None, use_errno=True)


def sync_file_system(descriptor: int) -> None:
    """Waits until all that was written to it is on the medium: syncfs(2). Raises OSError."""
    if _libc.syncfs(descriptor):
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
