"""Memory that is never paged out or in (mlock(2)), for the time in which what it would be paged from is frozen."""

from __future__ import annotations

import ctypes
import mmap
import os
from collections.abc import Iterator
from contextlib import contextmanager

from backupctl.domain.errors import Refused

_libc = ctypes.CDLL(None, use_errno=True)

# asm-generic/mman.h, which x86 and arm use.
_MCL_CURRENT, _MCL_FUTURE = 1, 2


@contextmanager
def locked_memory(size: int) -> Iterator[memoryview]:
    """`size` bytes that begin a page (as O_DIRECT wants it) and stay in memory; the caller releases its own slices.

    Raises Refused if so much cannot be locked.
    """
    with mmap.mmap(-1, size) as memory:
        address = ctypes.addressof(ctypes.c_char.from_buffer(memory))
        if _libc.mlock(ctypes.c_void_p(address), ctypes.c_size_t(size)):
            raise Refused(
                f"{size >> 20} MiB of memory cannot be locked: {os.strerror(ctypes.get_errno())}",
                "Choose a smaller freeze_memory, or end something else that runs.",
            )
        # Unmapping unlocks.
        with memoryview(memory) as view:
            yield view


@contextmanager
def all_memory_locked() -> Iterator[None]:
    """Locks what this process has and will have. Leaving unlocks everything, that of `locked_memory` as well.

    Not inherited by a forked process (mlockall(2)). Raises Refused if it cannot be locked.
    """
    lock_all_memory()
    try:
        yield
    finally:
        _libc.munlockall()


def lock_all_memory() -> None:
    """As `all_memory_locked`, for good."""
    if _libc.mlockall(_MCL_CURRENT | _MCL_FUTURE):
        raise Refused(
            f"this program's memory cannot be locked: {os.strerror(ctypes.get_errno())}",
            "It needs root, and as much free memory as the program is large.",
        )
