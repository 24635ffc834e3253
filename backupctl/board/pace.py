"""How hard a run may work, so that the board goes on doing its job."""

from __future__ import annotations

import ctypes
import os
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath

from backupctl.domain.errors import BackupctlError
from backupctl.formats.mountinfo import Mount, parse_mountinfo

# ioprio_set(2); linux/ioprio.h.
_IOPRIO_WHO_PROCESS = 1
_IOPRIO_CLASS_BEST_EFFORT = 2
_IOPRIO_CLASS_IDLE = 3
_IOPRIO_CLASS_SHIFT = 13

# The number of ioprio_set (that of ioprio_get is the next one) by processor and pointer size in bits: a 32-bit program
# under a 64-bit kernel, as many boards run it, makes 32-bit calls. x86: asm/unistd_64.h and _32.h; arm64 and riscv64:
# asm-generic/unistd.h; 32-bit arm: from memory of arch/arm/tools/syscall.tbl.
_IOPRIO_SET = {
    ("x86_64", 64): 251,
    ("x86_64", 32): 289,
    ("i686", 32): 289,
    ("aarch64", 64): 30,
    ("aarch64", 32): 314,
    ("armv7l", 32): 314,
    ("armv6l", 32): 314,
    ("riscv64", 64): 30,
}

_FIRST_OF_ALL = -20  # nice(1)

# What the program itself takes before its first worker.
_BASE_BYTES = 64 << 20


def be_nice(niceness: int = 10) -> None:
    """Lets other programs use the processor first (`niceness` 0 to 19, as nice(1)).

    Holds for this thread and those it starts later (setpriority(2), BUGS), so call it before
    there are any. A niceness that is already higher stays.
    """
    present = os.getpriority(os.PRIO_PROCESS, 0)
    if niceness > present:
        os.setpriority(os.PRIO_PROCESS, 0, niceness)


def use_idle_io() -> None:
    """Lets other programs use the disks first (class "idle" of ioprio_set(2)).

    Only schedulers that know classes heed it, and only for reads and direct writes. Holds for this thread and those it
    starts later. Raises BackupctlError where the system call fails or its number is not known.
    """
    _io_priority(_IOPRIO_CLASS_IDLE << _IOPRIO_CLASS_SHIFT)


def go_first() -> None:
    """Has this thread run before all others, if the system lets it (CAP_SYS_NICE)."""
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, _FIRST_OF_ALL)


@contextmanager
def ahead_of_others() -> Iterator[None]:
    """This thread runs before all others, and reads no later, while they wait for it; as far as the system lets it."""
    before = os.getpriority(os.PRIO_PROCESS, 0)
    io_before = None
    with suppress(BackupctlError):
        io_before = _io_priority(None)
        _io_priority(_IOPRIO_CLASS_BEST_EFFORT << _IOPRIO_CLASS_SHIFT)
    go_first()
    try:
        yield
    finally:
        os.setpriority(os.PRIO_PROCESS, 0, before)
        with suppress(BackupctlError):
            if io_before is not None:
                _io_priority(io_before)


def _io_priority(wanted: int | None) -> int:
    """Sets that of this thread, or tells it if None is wanted. Raises BackupctlError."""
    number = _IOPRIO_SET.get((os.uname().machine, struct.calcsize("P") * 8))
    if sys.platform != "linux" or number is None:
        raise BackupctlError(f"the I/O class cannot be set on {sys.platform} {os.uname().machine}")
    libc = ctypes.CDLL(None, use_errno=True)
    call = (number + 1, _IOPRIO_WHO_PROCESS, 0) if wanted is None else (number, _IOPRIO_WHO_PROCESS, 0, wanted)
    found = int(libc.syscall(ctypes.c_long(call[0]), *call[1:]))
    if found < 0:
        raise BackupctlError(f"the I/O class cannot be set: {os.strerror(ctypes.get_errno())}")
    return found


class RateLimit:
    """Holds all its callers together to a number of bytes per second. Time in which nobody called is not saved up."""

    def __init__(
        self,
        bytes_per_second: int | None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """`None` sets no limit. `clock` never goes back; both count seconds. Raises ValueError for a limit below 1."""
        if bytes_per_second is not None and bytes_per_second < 1:
            raise ValueError(f"not a rate: {bytes_per_second} bytes per second")
        self._rate = bytes_per_second
        self._clock = clock
        self._sleep = sleep
        self._turn = threading.Lock()
        self._free_at = clock()

    def take(self, count: int) -> None:
        """Returns when `count` more bytes may be moved: when all that was taken before has had its time."""
        if self._rate is None:
            return
        with self._turn:
            now = self._clock()
            start = max(now, self._free_at)
            self._free_at = start + count / self._rate
        if start > now:
            self._sleep(start - now)


def workers(bytes_per_worker: int = 16 << 20, root: Path = Path("/")) -> int:
    """How many worker threads this machine should run: at least 1.

    The rule: one for each core that this process may use, as long as each has `bytes_per_worker` of memory beyond 64
    MiB for the program itself. Memory is what the kernel calls available, or what a control group still allows where
    that is less. So one core gives 1, four cores with 100 MiB left give 2, and less than 96 MiB left gives 1.
    """
    affordable = (available_memory(root) - _BASE_BYTES) // bytes_per_worker
    return max(1, min(len(os.sched_getaffinity(0)), affordable))


def available_memory(root: Path = Path("/")) -> int:
    """Bytes that this process may still use: MemAvailable of proc(5), or less where a control group limits it."""
    found = [int(line.split()[1]) * 1024 for line in _lines(root / "proc/meminfo") if line.startswith("MemAvailable:")]
    return min(found + _control_group_rooms(root), default=_BASE_BYTES)


def _control_group_rooms(root: Path) -> list[int]:
    """What each limit above this process leaves, page cache not counted since it gives way (cgroups(7))."""
    mounts = parse_mountinfo("\n".join(_lines(root / "proc/self/mountinfo")))
    rooms = []
    for line in _lines(root / "proc/self/cgroup"):
        _, controllers, path = line.split(":", 2)
        if controllers == "":
            mount, limit, used = _hierarchy(mounts, "cgroup2", ""), "memory.max", "anon"
        elif "memory" in controllers.split(","):
            mount, limit, used = _hierarchy(mounts, "cgroup", "memory"), "memory.limit_in_bytes", "total_rss"
        else:
            continue
        if mount is None or not PurePosixPath(path).is_relative_to(mount.root):
            continue
        top = root / mount.mount_point.lstrip("/")
        group = top / PurePosixPath(path).relative_to(mount.root)
        # A limit further up holds for all below it.
        for above in [group, *group.parents][: len(group.parts) - len(top.parts) + 1]:
            allowed = "".join(_lines(above / limit))
            if allowed.isdigit():
                rooms.append(int(allowed) - _used(above, used))
    return rooms


def _hierarchy(mounts: tuple[Mount, ...], fstype: str, controller: str) -> Mount | None:
    # The controllers of version 1 stand among the super options.
    named = (m for m in mounts if m.fstype == fstype and (not controller or controller in m.super_options))
    return next(named, None)


def _used(group: Path, name: str) -> int:
    return sum(int(line.split()[1]) for line in _lines(group / "memory.stat") if line.split()[:1] == [name])


def _lines(path: Path) -> list[str]:
    try:
        # Not splitlines(): a name may hold one of the other characters that it takes for the end of a line.
        return [line for line in path.read_text(errors="surrogateescape").split("\n") if line]
    except OSError:
        return []
