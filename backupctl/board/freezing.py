"""Freezing every file system of a card for a moment (FIFREEZE; "freeze" in fsfreeze(8)), and nothing else ever.

A file system of a network accepts to be frozen and then hangs whoever uses it, and one on another disk would stand
still for nothing: what is frozen was found on the card, and its open mount point is proven to be the one found.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import re
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from backupctl.board.block_device import BlockDevice
from backupctl.board.locked_memory import all_memory_locked
from backupctl.board.mounted import MountedFileSystem, Place, Treatment, file_systems_on, is_still_mounted
from backupctl.board.pace import ahead_of_others
from backupctl.board.watchdog import Watchdog, thaw
from backupctl.domain.errors import BackupctlError, Refused

_FIFREEZE = 0xC0045877  # linux/fs.h on x86 and arm

_libc = ctypes.CDLL(None, use_errno=True)


@dataclass
class Freeze:
    """One freeze; complete when `Freezer.frozen` has been left."""

    began: float  # time.monotonic() before the first file system was frozen
    seconds: float = 0.0  # from there until the last one was thawed
    thawed_early: tuple[str, ...] = ()  # mount points; if there are any, what was read is of no one instant


@dataclass(frozen=True)
class _Open:
    fd: int
    file_system: MountedFileSystem


class Freezer:
    """Holds the mount points open, so that freezing and thawing need no path."""

    def __init__(self, file_systems: Sequence[MountedFileSystem]) -> None:
        """`file_systems` as `file_systems_on` gives them: each before those that it lies on."""
        self.file_systems = tuple(file_systems)
        self._stack = ExitStack()
        self._open: list[_Open] = []

    def __enter__(self) -> Self:
        """Raises as `take_up`."""
        self.take_up(self.file_systems)
        return self

    def take_up(self, file_systems: Sequence[MountedFileSystem]) -> None:
        """Holds these from here on, in place of those of before, which can be unmounted then.

        Raises Refused if a mount point cannot be reached, or is not what was found a moment ago.
        """
        opened = []
        with ExitStack() as stack:
            for file_system in file_systems:
                fd = _opened(file_system)
                if fd is None:
                    raise Refused(
                        f"the file system mounted at {file_system.mount_point} cannot be reached",
                        "Is something else mounted over it, or was it unmounted meanwhile? Start over then.",
                    )
                stack.callback(os.close, fd)
                opened.append(_Open(fd, file_system))
            self._stack.close()
            self._stack = stack.pop_all()
        self.file_systems, self._open = tuple(file_systems), opened

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._open.clear()
        self._stack.close()

    def sync_until_quick(self, limit_seconds: float, attempts: int) -> float:
        """Writes all out, until that takes no longer than `limit_seconds`: a freeze does the same. How long it took.

        Raises Refused if it never is so quick, BackupctlError for a write that failed.
        """
        took = 0.0
        for _ in range(attempts):
            began = time.monotonic()
            for each in self._open:
                _sync(each)
            took = time.monotonic() - began
            if took <= limit_seconds:
                return took
        raise Refused(
            f"writing out takes {took:.1f} s each time, and a freeze as long (limit: {limit_seconds:g} s)",
            "Something writes faster than the card can: stop it for the time of the capture.",
        )

    @contextmanager
    def frozen(self, watchdog: Watchdog, max_seconds: float) -> Iterator[Freeze]:
        """Freezes all that can be frozen; on leaving, however that comes, thaws it, the last one first.

        `watchdog` thaws after `max_seconds`. Within the block, nothing may be written, logged or printed. Raises
        Refused if one cannot be frozen (none is then), WatchdogFailed where nobody would watch, or nobody has watched.
        """
        targets = [each for each in self._open if each.file_system.treatment is Treatment.FREEZE]
        with ExitStack() as stack:
            stack.enter_context(all_memory_locked())
            stack.enter_context(ahead_of_others())
            watchdog.arm([each.fd for each in targets], max_seconds)
            freeze = Freeze(time.monotonic())
            stack.callback(_finish, freeze, watchdog, targets)
            for each in targets:
                _freeze(each)
                stack.callback(_thaw, each, freeze)
            yield freeze

    def sync_unfreezable(self) -> None:
        """Writes out what cannot be frozen: within `frozen`, the last that is written of it. Raises BackupctlError."""
        for each in self._open:
            # What was read-only when it was found may have been made writable since.
            if each.file_system.treatment is not Treatment.FREEZE:
                _sync(each)


def thaw_all(disk: BlockDevice) -> list[str]:
    """Thaws whatever on the disk is frozen, by whomever; the mount points of what was. Harmless if nothing is.

    Reads no file of the disk and writes none, but whoever starts Python for it has to see to it that no byte code is
    written (`python -B`). Raises OSError.
    """
    thawed = []
    for file_system in reversed(file_systems_on(disk)):
        fd = _opened(file_system) if file_system.treatment is Treatment.FREEZE else None
        if fd is None:
            continue
        try:
            if thaw(fd):
                thawed.append(file_system.mount_point)
        finally:
            os.close(fd)
    return thawed


def _freeze(target: _Open) -> None:
    try:
        fcntl.ioctl(target.fd, _FIFREEZE, 0)
    except OSError as error:
        if error.errno == errno.EBUSY:
            raise Refused(
                f"{target.file_system.mount_point} is frozen already",
                "Another program did it, or one that was killed: `backupctl thaw` ends it.",
            ) from error
        raise Refused(f"{target.file_system.mount_point} cannot be frozen: {error.strerror}") from error


def _thaw(target: _Open, freeze: Freeze) -> None:
    if not thaw(target.fd):
        freeze.thawed_early += (target.file_system.mount_point,)


def _finish(freeze: Freeze, watchdog: Watchdog, targets: Sequence[_Open]) -> None:
    freeze.seconds = time.monotonic() - freeze.began
    if watchdog.disarm() and not freeze.thawed_early:
        # What it thawed was frozen again, or its thaw came before that of another that was under way.
        freeze.thawed_early = tuple(target.file_system.mount_point for target in targets)


def _sync(target: _Open) -> None:
    if _libc.syncfs(target.fd):
        why = os.strerror(ctypes.get_errno())
        # Told once by each open file (syncfs(2)): of a write that was lost, maybe before this program was started.
        raise BackupctlError(
            f"the card did not take all that was written to {target.file_system.mount_point}: {why}",
            "The card may be failing: see the kernel's log, and have a new one at hand. A next try may succeed.",
        )


def _opened(file_system: MountedFileSystem) -> int | None:
    """A descriptor of one of its mount points that is proven to be on it."""
    for place in file_system.places:
        try:
            fd = os.open(place.path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except OSError:
            continue
        if _is_on(fd, place, file_system):
            return fd
        os.close(fd)
    return None


def _is_on(fd: int, place: Place, file_system: MountedFileSystem) -> bool:
    """Whether what was opened is in that mount (proc(5), fdinfo), which is still what it was when it was found.

    Being open, it keeps its number now. btrfs shows files a device number that no mount has.
    """
    found = re.search(r"^mnt_id:\s*(\d+)$", Path(f"/proc/self/fdinfo/{fd}").read_text(), re.MULTILINE)
    if found is None or int(found[1]) != place.mount.id or not is_still_mounted(place):
        return False
    device = os.fstat(fd).st_dev
    return file_system.fstype == "btrfs" or (os.major(device), os.minor(device)) == file_system.number
