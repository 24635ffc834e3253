"""The capture of files before this one: what of it need not be read again, and what has changed since."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from backupctl.domain.changes import Changes, is_sampled, one_in_for
from backupctl.domain.errors import Malformed
from backupctl.domain.events import History
from backupctl.domain.member_cells import MemberCells
from backupctl.domain.members import Member, place_of
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import State
from backupctl.operations.capturing.segmenting import Segment
from backupctl.operations.capturing.stream_store import StreamStore
from backupctl.share.captures import list_captures
from backupctl.share.contents import read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.members import read_members
from backupctl.share.shelf import Shelf

_TICK_SECONDS = 2  # FAT's times are as coarse; every other file system's are finer
_ZERO, _GONE = 0xFFFFFFFE, 0xFFFFFFFD  # in place of a segment's number


@dataclass
class EarlierFiles:
    """Its members by path, to be asked for in the order of the archive; and its segments by place."""

    record: CaptureRecord | None
    _members: Iterator[Member]
    _starts: array[int]
    _lengths: array[int]
    _numbers: array[int]

    # Nanoseconds since 1970: what was changed later may have changed again unseen, since a clock that files are stamped
    # by stands still for some milliseconds.
    settled_ns: int = 0

    def __post_init__(self) -> None:
        self._next: Member | None = None
        self._cells = MemberCells(self._starts)
        self._step()

    def _step(self) -> None:
        self._next = None
        with suppress(Malformed, FileNotFoundError):  # what follows is read again; verification tells of the list
            self._next = next(self._members, None)
        if self._next is not None:
            self._cells.add(self._next)

    def member(self, path: bytes) -> Member | None:
        """What stood there. Paths ascend from call to call."""
        place = place_of(path)
        while self._next is not None and place_of(self._next.path) < place:
            self._step()
        return self._next if self._next is not None and self._next.path == path else None

    def segments(self, start: int, end: int) -> list[Segment] | None:
        """Those that the stretch of its archive is made of; None if it is not made of whole ones that are there."""
        turn = bisect_left(self._starts, start)
        at, found = start, []
        while at < end:
            if turn == len(self._starts) or self._starts[turn] != at or self._numbers[turn] == _GONE:
                return None
            length, number = self._lengths[turn], self._numbers[turn]
            is_zero = number == _ZERO
            state = State.ZERO if is_zero else State.DATA
            found.append(Segment(at, length, state, number=-1 if is_zero else number))
            at, turn = at + length, turn + 1
        return found if at == end else None

    def changes(self, cells: Iterable[int], store: StreamStore) -> Changes | None:
        """What a sample of the segments in `store` has that is new; `cells`: which ones they are. None if unknown."""
        while self._next is not None:
            self._step()
        if self.record is None or not self._cells.cells:
            return None
        one_in = one_in_for(len(self._starts))
        numbers = zip(self._cells.cells, self._numbers, strict=False)  # what an archive ends with is of no member
        before = {cell: number for cell, number in numbers if number != _ZERO and is_sampled(cell, one_in)}
        written, appeared = {}, {}
        for cell, (_, _, _, number) in zip(cells, store.entries(), strict=False):
            if number < 0 or not is_sampled(cell, one_in):
                continue
            was = before.pop(cell, None)
            if was is None:
                appeared[cell] = store.segments.stored_for(number)
            elif was != number:
                written[cell] = store.segments.stored_for(number)
        stored = store.segments.stored_bytes
        return Changes(self.record.id, one_in, stored, written, appeared, frozenset(before))


def nothing_earlier() -> EarlierFiles:
    """For a first capture, and one that reads everything."""
    return EarlierFiles(None, iter(()), array("Q"), array("I"), array("I"))


def earlier_files(shelf: Shelf, history: History, index: SegmentIndex, lane: str) -> EarlierFiles:
    """By the newest capture in `lane`: see `domain.record.CaptureRecord.lane`. Raises OSError of the share."""
    records = list_captures(shelf.storage, shelf.mark, history).records
    newest = next((record for record in reversed(records) if record.lane == lane and record.members), None)
    if newest is None:
        return nothing_earlier()
    starts, lengths, numbers = array("Q"), array("I"), array("I")
    try:
        entries = read_contents(shelf.storage, shelf.mark, newest.id)
        next(entries)
        for entry in entries:
            number = index.find(entry.hash) if entry.hash and entry.state is State.DATA else -1
            starts.append(entry.offset)
            lengths.append(entry.length)
            numbers.append(number if number >= 0 else _ZERO if entry.state is State.ZERO else _GONE)
    except (Malformed, FileNotFoundError):
        return nothing_earlier()
    members = read_members(shelf.storage, shelf.mark, newest.id)
    settled = datetime.fromisoformat(newest.started).timestamp() - _TICK_SECONDS
    return EarlierFiles(newest, members, starts, lengths, numbers, int(settled * 1e9))
