"""All that is written to a disk while it is being read, as the kernel's own trace events tell it.

Two events are followed (Documentation/trace/events.rst and ftrace.rst of the kernel): `block_bio_queue` comes before a
write and `block_rq_complete` after it. With both, a place that was read between the one and the other is told of again.
Sectors are those of the whole disk, whichever partition was written to; discards and writes of zeros are told as well.

The text of the events is read, not their binary form: either gives 10^6 events a second (measured: 1.1 and 1.3 million
on x86-64), ten times what a storm makes, and the text needs no knowledge of the ring buffer's pages. Its shape comes
from each event's `format` file. No thread reads along: the buffers hold seconds of a storm, what does not fit is
counted by the kernel, and a frozen board needs nobody who might be waiting for it.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from backupctl.board.mounts import read_mounts
from backupctl.board.process import ProgramFailed, ProgramMissing, run
from backupctl.domain.errors import Refused
from backupctl.domain.ranges import Ranges

_QUEUED, _COMPLETED = "block_bio_queue", "block_rq_complete"
_STANDARD_PLACE = "/sys/kernel/tracing"
_MOUNT_SECONDS = 10.0

# Trace events count in units of 512 bytes whatever the device's sectors are (sector_t, linux/blk_types.h).
_SECTOR = 512
_CHUNK_BYTES = 1 << 16

# Records are kept as they were read until there are so many; a disk's worth of them would not fit into memory.
_FOLD_RECORDS = 1 << 16

# ftrace.rst, "per_cpu/cpu0/stats": overwritten, given up as nested too deeply, and refused by a full buffer.
_LOSS = re.compile(rb"^(?:overrun|commit overrun|dropped events): (\d+)$", re.MULTILINE)
_LOSS_IN_TEXT = re.compile(rb"^CPU:\d+ \[LOST(?: (\d+))? EVENTS\]$", re.MULTILINE)

_MARKER_BYTES = 1 << 16  # more than any file system keeps within an inode


class WriteTracker:
    """Follows the writes to one whole disk from `__enter__` on. To be used by one thread at a time.

    After `__enter__` nothing here touches a file system on a disk, `prove` excepted: `collect`, `drain` and `lost` may
    be called while everything is frozen.
    """

    def __init__(
        self, major: int, minor: int, buffer_kib: int = 8192, keep: Callable[[int, int], bool] | None = None
    ) -> None:
        """`major` and `minor` are the whole disk's; `buffer_kib` is for each processor (some 9 records a KiB).

        `keep` is for tests of what follows when records are missing: one of the bytes `[start, end)` is forgotten
        where it says False.
        """
        self._device = major, minor
        self._buffer_kib = buffer_kib
        self._keep = keep
        self._stack = ExitStack()
        self._rest = b""
        self._records: set[tuple[bytes, bytes, bytes, bytes]] = set()
        self._written = Ranges()
        self._lost = 0
        self._forgiven = 0

    def __enter__(self) -> Self:
        """Raises Refused, with what is missing, where the kernel's trace events cannot be had."""
        tracing = _tracing_directory()
        instances = tracing / "instances"
        with ExitStack() as stack:
            try:
                _remove_left_over(instances)
                place = instances / f"backupctl-{os.getpid()}-{self._device[0]}:{self._device[1]}"
                place.mkdir()
                stack.callback(_remove, place)
                self._set_up(place, stack)
            except OSError as error:
                raise Refused(
                    f"the kernel's tracing cannot be set up ({error.filename or instances}: {error.strerror})",
                    "Is it locked down (see `cat /sys/kernel/security/lockdown`), or memory short?",
                ) from error
            self._stack = stack.pop_all()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stack.close()

    def _set_up(self, place: Path, stack: ExitStack) -> None:
        self._size = place / "buffer_size_kb"
        self._size.write_text(str(self._buffer_kib))
        # Without process, processor and time in front of each event, of which nothing is used.
        (place / "options/context-info").write_text("0")
        patterns = []
        for name in (_QUEUED, _COMPLETED):
            event = place / "events/block" / name
            if not event.exists():
                raise Refused(
                    f"this kernel has no trace event {name}",
                    "It needs CONFIG_EVENT_TRACING, which CONFIG_BLK_DEV_IO_TRACE brings along.",
                )
            patterns.append(_pattern(name, (event / "format").read_text()))
            # The kernel's own form of a device number (linux/kdev_t.h, MKDEV); "R*" are all kinds of reads.
            (event / "filter").write_text(f'dev == {self._device[0] << 20 | self._device[1]} && !(rwbs ~ "R*")')
        self._pattern = re.compile(b"|".join(patterns))
        self._pipe = _opened(place / "trace_pipe", stack)
        self._stats = [_opened(cpu / "stats", stack) for cpu in sorted((place / "per_cpu").glob("cpu*"))]
        for name in (_QUEUED, _COMPLETED):
            (place / "events/block" / name / "enable").write_text("1")

    def collect(self) -> None:
        """Takes over what the kernel has recorded, so that its buffers do not overflow; call it every second or so."""
        while True:
            try:
                chunk = os.read(self._pipe, _CHUNK_BYTES)
            except BlockingIOError:
                return
            if not chunk:
                return
            text = self._rest + chunk
            end = text.rfind(b"\n") + 1
            self._rest = text[end:]
            self._records.update(self._pattern.findall(text, 0, end))
            if b"LOST" in text:
                self._lost += sum(int(count or 1) for count in _LOSS_IN_TEXT.findall(text[:end]))
            if len(self._records) > max(_FOLD_RECORDS, len(self._written)):
                self._fold()

    def drain(self) -> Ranges:
        """The bytes of the disk that were written since the last call, as far as `lost` is 0."""
        self.collect()
        self._fold()
        written, self._written = self._written, Ranges()
        return written

    def lost(self) -> int:
        """How many events were lost since the beginning, at least. If it is not 0, `drain` is worth nothing."""
        return self._lost_at_all() - self._forgiven

    def _lost_at_all(self) -> int:
        told = (os.pread(stats, _CHUNK_BYTES, 0) for stats in self._stats)
        return self._lost + sum(int(count) for text in told for count in _LOSS.findall(text))

    def start_over(self) -> None:
        """A new beginning, with twice the room where there is memory for it: all of before counts no more."""
        self._buffer_kib *= 2
        with suppress(OSError):
            # While the kernel makes it larger, events go missing without a word.
            self._size.write_text(str(self._buffer_kib))
        # What is lost from here on counts again.
        self._forgiven = self._lost_at_all()
        self.drain()

    def prove(self, places: Iterable[Path]) -> bool:
        """Whether a write to this disk is seen: a file without a name, on the first of `places` that takes it.

        `places` are directories on file systems of the disk. False: none can be written to (read-only, full, or a
        kind that has no nameless files, such as FAT), so nothing is proven. Raises Refused if it was written and not
        seen, OSError if writing failed.
        """
        for place in places:
            self.collect()
            self._fold()
            if _write_marker(place):
                self.collect()
                self._judge_marker(place)
                return True
        return False

    def _judge_marker(self, place: Path) -> None:
        seen = {_QUEUED: 0, _COMPLETED: 0}
        for queued, queued_count, _, completed_count in self._records:
            seen[_QUEUED if queued else _COMPLETED] += int(queued_count or completed_count or 0)
        missing = [name for name, sectors in seen.items() if sectors * _SECTOR < _MARKER_BYTES]
        if missing:
            raise Refused(
                f"a write to {place} was not told of by the kernel's trace event {' and '.join(missing)}",
                "Writes to this disk cannot be followed, so it can only be captured while it is not mounted.",
            )

    def _fold(self) -> None:
        """Turns records into ranges."""
        pairs = []
        for queued, queued_count, completed, completed_count in self._records:
            first, count = queued or completed, queued_count or completed_count
            if not first:
                self._lost += 1  # the name of an event, and then not what its format promised
                continue
            start = int(first) * _SECTOR
            pairs.append((start, start + int(count) * _SECTOR))
        self._records.clear()
        if self._keep is not None:
            pairs = [(start, end) for start, end in pairs if self._keep(start, end)]
        self._written = self._written | Ranges(pairs)


def _tracing_directory() -> Path:
    """Where tracefs is mounted; it is mounted at its standard place, and stays there, if it is nowhere."""
    mounts = [mount for mount in read_mounts() if mount.fstype == "tracefs"]
    # One of the whole file system; a container may have a part of it.
    for mount in mounts:
        if mount.root == "/" and not mount.read_only and Path(mount.mount_point, "instances").is_dir():
            return Path(mount.mount_point)
    try:
        run(["mount", "-t", "tracefs", "tracefs", _STANDARD_PLACE], _MOUNT_SECONDS)
    except (ProgramFailed, ProgramMissing) as error:
        raise Refused(
            f"the kernel's tracing is not to be had: {error.cause}",
            "It needs root, a kernel with CONFIG_TRACING, and tracefs mounted at /sys/kernel/tracing.",
        ) from error
    if not Path(_STANDARD_PLACE, "instances").is_dir():
        raise Refused(
            "this kernel's tracing has no instances",
            "It needs CONFIG_EVENT_TRACING, which CONFIG_BLK_DEV_IO_TRACE brings along.",
        )
    return Path(_STANDARD_PLACE)


def _remove_left_over(instances: Path) -> None:
    for place in instances.glob("backupctl-*-*"):
        pid = place.name.split("-")[1]
        if pid == str(os.getpid()) or not Path("/proc", pid).exists():
            # One of another namespace, whose number means nothing here, has its files open: rmdir says EBUSY.
            _remove(place)


def _remove(place: Path) -> None:
    with suppress(OSError):
        place.rmdir()


def _opened(path: Path, stack: ExitStack) -> int:
    fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    stack.callback(os.close, fd)
    return fd


def _write_marker(place: Path) -> bool:
    try:
        fd = os.open(place, os.O_TMPFILE | os.O_WRONLY | os.O_CLOEXEC, 0o600)
    except OSError:
        return False
    try:
        whole = os.write(fd, os.urandom(_MARKER_BYTES)) == _MARKER_BYTES
        os.fsync(fd)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return False
        raise
    finally:
        os.close(fd)
    return whole


def _pattern(name: str, format_text: str) -> bytes:
    """What matches a record of the event: its first sector and their number; the name alone if the rest does not fit.

    The name is longer than what a process can be called (15 bytes, prctl(2)), whose name stands in records as well.
    """
    found = re.search(r'^print fmt: "(.*?) %llu \+ %u\b', format_text, re.MULTILINE)
    if found is None:
        raise Refused(
            f"this kernel's trace event {name} has a form that is not known here",
            "Writes to this disk cannot be followed, so it can only be captured while it is not mounted.",
        )
    before = re.sub(r"%[a-z]+", ".*?", re.escape(found[1]).replace("%d", r"\d+"))
    return f"{name}: (?:{before} (\\d+) \\+ (\\d+) )?".encode()
