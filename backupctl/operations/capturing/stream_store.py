"""Segments of an archive on their way to the shelf, one after the other, and the new ones among them."""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import State
from backupctl.operations.capturing.part_series import CHURN, STABLE, PartSeries
from backupctl.operations.capturing.renewal import Renewal
from backupctl.operations.capturing.segmenting import Segment
from backupctl.share.index import SegmentIndex

_ZERO, _UNREADABLE = 0xFFFFFFFE, 0xFFFFFFFD  # in place of a segment's number


class StreamStore:
    """Length and number of each segment, in the order of `append`. For use by one thread."""

    def __init__(self, index: SegmentIndex, series: PartSeries, renewal: Renewal) -> None:
        self._index = index
        self._series = series
        self._renewal = renewal
        self._lengths = array("I")
        self._numbers = array("I")
        self._unreadable: list[tuple[int, int]] = []  # of the stream, ascending
        self._hurt: set[int] = set()  # segments, by their turn, that are data in part
        self.size = 0
        self.new_segments = 0
        self.read_bytes = 0

    @property
    def unreadable(self) -> Ranges:
        """Bytes of the stream that could not be read."""
        return Ranges(self._unreadable)

    @property
    def written(self) -> int:
        """Bytes that went to the share so far."""
        return self._series.written

    def put(self, segment: Segment, seen_before: bool) -> None:
        """Has a segment written that the shelf does not hold. `seen_before`: something else stood in its place.

        Raises OSError of the share.
        """
        if not segment.stored:
            return
        # The same content may have come along since the worker looked.
        segment.number = self._index.find(segment.hash)
        if segment.number < 0:
            self._add(segment, CHURN if seen_before else STABLE)
            self.new_segments += 1
        elif self._renewal.take(segment.number, len(segment.stored)):
            self._add(segment, STABLE)
        segment.stored = b""

    def _add(self, segment: Segment, series: int) -> None:
        part = self._series.add(series, segment.hash, segment.sha256, segment.length, segment.stored)
        segment.number = self._index.add(segment.hash, part, segment.sha256)

    def append(self, segment: Segment) -> None:
        """The next stretch of the stream; it has been `put`, or the shelf holds it. Its `start` does not matter."""
        if segment.unreadable:
            self._unreadable += [(self.size + low, self.size + high) for low, high in segment.unreadable]
            self._hurt.add(len(self._lengths))
        self._lengths.append(segment.length)
        if segment.number >= 0:
            self._numbers.append(segment.number)
        else:
            self._numbers.append(_ZERO if segment.state is State.ZERO else _UNREADABLE)
        self.size += segment.length

    def entries(self) -> Iterator[tuple[int, int, State, int]]:
        """Start, length, state, and number of the segment or -1, of each; in order."""
        start = 0
        for turn, (length, number) in enumerate(zip(self._lengths, self._numbers, strict=True)):
            if number == _ZERO:
                yield start, length, State.ZERO, -1
            elif number == _UNREADABLE:
                yield start, length, State.UNREADABLE, -1
            else:
                yield start, length, State.UNREADABLE if turn in self._hurt else State.DATA, number
            start += length
