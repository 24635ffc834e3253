"""Segments of an archive on their way to the shelf, one after the other, and the new ones among them."""

from __future__ import annotations

from array import array
from collections.abc import Iterator

from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import State
from backupctl.operations.capturing.new_segments import NewSegments
from backupctl.operations.capturing.segmenting import Segment

_ZERO, _UNREADABLE = 0xFFFFFFFE, 0xFFFFFFFD  # in place of a segment's number


class StreamStore:
    """Length and number of each segment, in the order of `append`. For use by one thread."""

    def __init__(self, segments: NewSegments) -> None:
        self.segments = segments
        self._lengths = array("I")
        self._numbers = array("I")
        self._unreadable: list[tuple[int, int]] = []  # of the stream, ascending
        self._hurt: set[int] = set()  # segments, by their turn, that are data in part
        self.size = 0
        self.read_bytes = 0

    @property
    def unreadable(self) -> Ranges:
        """Bytes of the stream that could not be read."""
        return Ranges(self._unreadable)

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
