"""The cells of a card on their way to the shelf: what each holds, and the new segments among them."""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from backupctl.domain.card_map import cells
from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import State
from backupctl.operations.capturing.new_segments import NewSegments
from backupctl.operations.capturing.part_series import CHURN, STABLE
from backupctl.operations.capturing.segmenting import Segment

# In place of a segment's number.
_FREE, _ZERO, _UNREADABLE = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD


class CellStore:
    """One number for each cell of the card: a segment's in the index, or that there is none and why.

    A cell may be put again, with what it holds later. For use by one thread.
    """

    def __init__(self, size: int, segment_bytes: int, segments: NewSegments, churn: Ranges) -> None:
        """`size`: of the card; `segment_bytes`: of a cell. `churn`: what changed last time as well."""
        self.segment_bytes = segment_bytes
        self.segments = segments
        self._size = size
        self._churn = churn
        self._numbers = array("I", [_FREE]) * -(-size // self.segment_bytes)
        self._unreadable: dict[int, tuple[tuple[int, int], ...]] = {}
        self.read_bytes = 0

    @property
    def cells(self) -> int:
        """How many the card has."""
        return len(self._numbers)

    @property
    def unreadable(self) -> Ranges:
        """Bytes of the card that could not be read."""
        return Ranges(pair for ranges in self._unreadable.values() for pair in ranges)

    def put(self, segment: Segment) -> None:
        """Takes what a cell holds, and has it written if the shelf does not hold it. Raises OSError of the share."""
        cell = segment.start // self.segment_bytes
        is_churn = self._churn.touches(segment.start, segment.start + segment.length)
        self.segments.put(segment, CHURN if is_churn else STABLE)
        if segment.number >= 0:
            self._numbers[cell] = segment.number
        else:
            self._numbers[cell] = _ZERO if segment.state is State.ZERO else _UNREADABLE
        self._unreadable.pop(cell, None)
        if segment.unreadable:
            self._unreadable[cell] = segment.unreadable
        self.read_bytes += segment.read_bytes

    def segment_of(self, cell: int) -> int:
        """The number of what a cell holds, -1 if that is no segment."""
        number = self._numbers[cell]
        return -1 if number in (_FREE, _ZERO, _UNREADABLE) else number

    def settle(self, data: Ranges, zero: Ranges) -> None:
        """Makes the list that of this map: cells without data are zero where something is in use in them, else free.

        Raises ValueError if a cell with data was never put: that would be a hole in the image.
        """
        settled = array("I", [_FREE]) * len(self._numbers)
        for start, _, has_data in cells(data, zero, self._size, self.segment_bytes):
            cell = start // self.segment_bytes
            if has_data and self._numbers[cell] == _FREE:
                raise ValueError(f"the data at byte {start} was never read")
            settled[cell] = self._numbers[cell] if has_data else _ZERO
        self._numbers = settled
        self._unreadable = {cell: bad for cell, bad in self._unreadable.items() if settled[cell] not in (_FREE, _ZERO)}

    def entries(self) -> Iterator[tuple[int, int, State, int]]:
        """Start, length, state, and number of the segment or -1, of each cell that is to be listed; in order."""
        for cell, number in enumerate(self._numbers):
            if number == _FREE:
                continue
            start = cell * self.segment_bytes
            length = min(self.segment_bytes, self._size - start)
            if number == _ZERO:
                yield start, length, State.ZERO, -1
            elif number == _UNREADABLE:
                yield start, length, State.UNREADABLE, -1
            else:
                yield start, length, State.UNREADABLE if cell in self._unreadable else State.DATA, number
