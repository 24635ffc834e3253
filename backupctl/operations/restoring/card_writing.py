"""Putting a capture on a card so that the card is whole or looks empty, whenever it ends, and reading all of it back.

The order, and what an end after each step leaves (a power cut, a card that is pulled out):

1. both ends of the card are made zero: it looks empty, whatever was on it before;
2. free space is discarded, and all but the stream's two ends is written: it still looks empty;
3. the two ends are written and flushed, but for the first page of the card: still no partition table that counts;
4. the first page is written: **the card is bootable**;
5. everything is read back. If it is not what was written, or something else goes wrong, step 1 is done again.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, islice
from typing import Protocol

from backupctl.board.open_device import DeviceReader, OpenDevice, discard, flush, reread_partitions, zero_out
from backupctl.domain.errors import BackupctlError
from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import SEGMENT_BYTES, Entry, State, is_zero
from backupctl.domain.units import size
from backupctl.formats.reader import check_bounds
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.card_source import CardSource

# Whatever tells tools what a card is stands within so much of one of its ends: partition tables (UEFI, section 5.3.1:
# the first sectors, and the last), and of file systems on a bare card at most the second header of LUKS2, which may
# begin at 4 MiB (LUKS2 On-Disk Format Specification 1.0, section 2; from memory). Partitions and extended partition
# records are found by way of the table only.
EDGE_BYTES = 8 << 20
_HEAD_BYTES = 4096  # the MBR, or a GPT's protective one, whatever the sector size

_WORKERS = 2
# Written but not yet on the card: without a bound, half of the memory would wait for a slow card at the end, with
# neither progress nor a way to stop.
_UNSYNCED_BYTES = 64 << 20
_DISCARD_STEP_BYTES = 1 << 30
_ZERO_STEP_BYTES = 16 << 20
# How far is looked, and at how much, for the reason why a card gives back other bytes.
_LOOK_ENTRIES = 4096
_LOOK_WRONG = 8

_BAD_CARD = (
    "The card is worn, or counterfeit (smaller than it says), or its reader is at fault. The capture on the share is "
    "not hurt: restore it onto another card."
)


class Card(Protocol):
    """A whole card; `write`, `zero` and `read_at` are called by several threads. All raise OSError."""

    @property
    def size(self) -> int:
        """Bytes."""
        ...

    def write(self, offset: int, data: bytes) -> None: ...

    def zero(self, offset: int, length: int) -> None: ...

    def discard(self, offset: int, length: int) -> bool:
        """False if the card has no use for knowing what is free."""
        ...

    def flush(self) -> None:
        """All that was written is on the card, and is read from there."""
        ...

    def read_at(self, offset: int, length: int) -> bytes: ...

    def reread_partitions(self) -> bool: ...


class DeviceCard:
    """A block device that is held exclusively."""

    def __init__(self, device: OpenDevice) -> None:
        self._fd = device.fd
        self._sector = device.sector_size
        self._reader = DeviceReader(device.fd)
        self._unsynced = 0
        self._counting = threading.Lock()

    @property
    def size(self) -> int:
        return self._reader.size

    def write(self, offset: int, data: bytes) -> None:
        left = memoryview(data)
        while left:
            count = os.pwrite(self._fd, left, offset)
            offset, left = offset + count, left[count:]
        with self._counting:
            self._unsynced += len(data)
            due = self._unsynced >= _UNSYNCED_BYTES
            if due:
                self._unsynced = 0
        if due:
            os.fdatasync(self._fd)

    def zero(self, offset: int, length: int) -> None:
        # A card file may have any length, and so its capture; the device takes whole sectors.
        end = offset + length
        low, high = -(-offset // self._sector) * self._sector, end // self._sector * self._sector
        if low >= high:
            self.write(offset, bytes(length))
            return
        zero_out(self._fd, low, high - low)
        self.write(offset, bytes(low - offset))
        self.write(high, bytes(end - high))

    def discard(self, offset: int, length: int) -> bool:
        return discard(self._fd, offset, length)

    def flush(self) -> None:
        flush(self._fd)

    def read_at(self, offset: int, length: int) -> bytes:
        return self._reader.read_at(offset, length)

    def reread_partitions(self) -> bool:
        return reread_partitions(self._fd)


@dataclass(frozen=True)
class PartOfCard:
    """A partition of a card, as if it were a card; bytes."""

    card: Card
    start: int
    size: int

    def write(self, offset: int, data: bytes) -> None:
        self.card.write(self._checked(offset, len(data)), data)

    def zero(self, offset: int, length: int) -> None:
        self.card.zero(self._checked(offset, length), length)

    def discard(self, offset: int, length: int) -> bool:
        return self.card.discard(self._checked(offset, length), length)

    def flush(self) -> None:
        self.card.flush()

    def read_at(self, offset: int, length: int) -> bytes:
        return self.card.read_at(self._checked(offset, length), length)

    def reread_partitions(self) -> bool:
        return True  # the table stays as it is

    def _checked(self, offset: int, length: int) -> int:
        check_bounds(offset, length, self.size)
        return self.start + offset


@dataclass(frozen=True)
class CardWriter:
    """One restore of `source` onto `card`, which messages call `name`. It is the target that a source writes to."""

    card: Card
    name: str
    source: CardSource
    wipe_free: bool
    reporter: Reporter
    stop: Stop
    emptied: str = "without a partition table"  # how it is left if this fails, in words

    def put(self) -> str:
        """Does it all, as told above; returns what stands in free space now, in words.

        Raises Damaged for the share, Interrupted, and BackupctlError for a card that cannot be written or does not
        give back what was written: that is no damage of the share, so its exit code is that of a failure.
        """
        try:
            free_space = self._clear()
            self._write()
            self._read_back()
        except BaseException:
            self._leave_empty()
            raise
        return free_space

    def _edges(self) -> Ranges:
        whole, stream = self.card.size, self.source.size
        ends = [(0, EDGE_BYTES), (stream - EDGE_BYTES, stream), (whole - EDGE_BYTES, whole)]
        return Ranges((max(0, start), min(end, whole)) for start, end in ends)

    def _make_edges_zero(self) -> None:
        for start, end in self._edges():
            self.card.zero(start, end - start)
        self.card.flush()
        # Otherwise the system would go on offering partitions of the old table, with half of the new content.
        self.card.reread_partitions()

    def _clear(self) -> str:
        with self._card_at_fault("cannot be erased", 0):
            self._make_edges_zero()
            if self.wipe_free:
                return "zeros"
            # What is discarded may be anything afterwards, so not what was just made zero.
            for start, end in self._edges().inverted(0, self.card.size):
                for at in range(start, end, _DISCARD_STEP_BYTES):
                    self.stop.check()
                    self.reporter.step(Step("discarding what was there", at, self.card.size))
                    if not self.card.discard(at, min(_DISCARD_STEP_BYTES, end - at)):
                        return "what was there before: the card cannot be told that it is free"
        return "nothing: it was discarded"

    def _write(self) -> None:
        stream = self.source.size

        def at_an_end(offset: int, length: int) -> bool:
            return offset < EDGE_BYTES or offset + length > stream - EDGE_BYTES

        kept = self.source.pour(self, at_an_end, self.reporter, self.stop)
        self.free(stream, self.card.size - stream)
        with self._card_at_fault("cannot be written: flushing, up to", stream):
            self.card.flush()
        head = []
        for offset, content in kept:
            split = min(max(0, _HEAD_BYTES - offset), len(content))
            head.append((offset, content[:split]))
            self.write(offset + split, content[split:])
        with self._card_at_fault("cannot be written: flushing, up to", stream):
            self.card.flush()
            for offset, content in reversed(head):
                self.card.write(offset, content)
            self.card.flush()

    def write(self, offset: int, data: bytes) -> None:
        """See `restore.Target`."""
        with self._card_at_fault("cannot be written at", offset):
            self.card.write(offset, data)

    def zero(self, offset: int, length: int) -> None:
        """See `restore.Target`."""
        with self._card_at_fault("cannot be written at", offset):
            self.card.zero(offset, length)

    def free(self, offset: int, length: int) -> None:
        """See `restore.Target`."""
        if not self.wipe_free:
            return
        for at in range(offset, offset + length, _ZERO_STEP_BYTES):
            self.stop.check()
            self.zero(at, min(_ZERO_STEP_BYTES, offset + length - at))
            self.reporter.step(Step("writing", at, self.source.size))

    def _read_back(self) -> None:
        # One pass after all is written: a card that is smaller than it says takes writes beyond its end for writes to
        # places that were right when they were looked at (common practice, no source).
        def check(expected: tuple[Entry, bool]) -> tuple[Entry, bool, bytes | None]:
            entry, zeros = expected
            with self._card_at_fault("cannot be read back at", entry.offset):
                content = self.card.read_at(entry.offset, entry.length)
            good = is_zero(content) if zeros else self.source.is_right(entry, content)
            return entry, zeros, None if good else content

        found = in_order(self._must_stand_there(), check, _WORKERS)
        for entry, zeros, wrong in found:
            self.stop.check()
            if wrong is not None:
                right = bytes(entry.length) if zeros else self.source.content(entry)
                at = entry.offset + _first_difference(wrong, right)
                more = ((other, content) for other, _, content in islice(found, _LOOK_ENTRIES))
                raise BackupctlError(
                    f"{self.name} gives back other bytes than were written to it, from byte {at} on "
                    f"({size(at)} after its start){self._wraps(chain([(entry, wrong)], more))}",
                    _BAD_CARD,
                )
            self.reporter.step(Step("reading back", entry.offset + entry.length, self.card.size))

    def _wraps(self, read: Iterable[tuple[Entry, bytes | None]]) -> str:
        """In words, if somewhere stands what was written further up. `read`: what was found, None where it is right."""
        try:
            wrong = list(
                islice(((entry, content) for entry, content in read if content and not is_zero(content)), _LOOK_WRONG)
            )
        except BackupctlError:
            return ""  # it cannot even be read
        for other in self.source.entries():
            for entry, content in wrong:
                by = other.offset - entry.offset
                if by > 0 and other.length == entry.length and self.source.is_right(other, content):
                    return (
                        f". What was written to byte {other.offset} stands at byte {entry.offset}: the card seems to "
                        f"hold only {size(by)} ({by} bytes), and takes places beyond for others"
                    )
        return ""

    def _must_stand_there(self) -> Iterator[tuple[Entry, bool]]:
        """The source's entries; and as further ones of zeros (True) what else was made zero and not written since."""
        end = 0
        for entry in self.source.entries():
            if self.wipe_free:
                yield from _zeros(end, entry.offset)
            yield entry, False
            end = entry.offset + entry.length
        whole = self.card.size
        yield from _zeros(end if self.wipe_free else max(self.source.size, whole - EDGE_BYTES), whole)

    def _leave_empty(self) -> None:
        try:
            self._make_edges_zero()
        except OSError as error:
            self.reporter.note(f"{self.name} could not be made to look empty ({error}): do not trust what is on it")
        else:
            self.reporter.note(f"{self.name} is left {self.emptied}, so that nobody takes it for a whole copy")

    @contextmanager
    def _card_at_fault(self, what: str, offset: int) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise BackupctlError(f"{self.name} {what} byte {offset}: {error.strerror}", _BAD_CARD) from error


def _zeros(start: int, end: int) -> Iterator[tuple[Entry, bool]]:
    for at in range(start, end, SEGMENT_BYTES):
        yield Entry(at, min(SEGMENT_BYTES, end - at), State.ZERO, b""), True


def _first_difference(one: bytes, other: bytes) -> int:
    return next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), 0)
