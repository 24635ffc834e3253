"""Sets of bytes as sorted, disjoint, half-open ranges, kept in arrays (16 bytes a range)."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator

_MANY = 16  # so many times as many ranges: worth copying what lies between a few others, in place of a look at each


class Ranges:
    """An immutable set of bytes, as ranges `[start, end)` in ascending order that neither overlap nor touch."""

    __slots__ = ("_ends", "_starts")

    def __init__(self, pairs: Iterable[tuple[int, int]] = ()) -> None:
        """Takes pairs in any order; overlapping and touching ones become one, empty ones none.

        Raises ValueError for a range that ends before it starts or starts below 0.
        """
        self._starts = array("Q")
        self._ends = array("Q")
        for start, end in sorted(pairs):
            self._append(start, end)

    @classmethod
    def ascending(cls, pairs: Iterable[tuple[int, int]]) -> Ranges:
        """As the constructor, for pairs that come in order of their starts: no copy is made to sort them."""
        made = cls()
        for start, end in pairs:
            made._append(start, end)
        return made

    @classmethod
    def joined(cls, sets: Iterable[Ranges]) -> Ranges:
        """The union of sets each of which lies behind the one before it. Raises ValueError for others."""
        made = cls()
        for each in sets:
            if each:
                made._append(each._starts[0], each._ends[0])
                made._starts.extend(each._starts[1:])
                made._ends.extend(each._ends[1:])
        return made

    @classmethod
    def _of(cls, starts: array[int], ends: array[int]) -> Ranges:
        made = cls()
        made._starts, made._ends = starts, ends
        return made

    def _append(self, start: int, end: int) -> None:
        if not 0 <= start <= end:
            raise ValueError(f"not a range: [{start}, {end})")
        if start == end:
            return
        if self._ends and start <= self._ends[-1]:
            if start < self._starts[-1]:
                raise ValueError(f"ranges out of order: [{start}, {end}) after one from {self._starts[-1]}")
            if end > self._ends[-1]:
                self._ends[-1] = end
            return
        self._starts.append(start)
        self._ends.append(end)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return zip(self._starts, self._ends, strict=True)

    def __len__(self) -> int:
        return len(self._starts)

    def __bool__(self) -> bool:
        return bool(self._starts)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Ranges) and self._starts == other._starts and self._ends == other._ends

    def __hash__(self) -> int:
        return hash((self._starts.tobytes(), self._ends.tobytes()))

    def __repr__(self) -> str:
        shown = ", ".join(f"[{start}, {end})" for start, end in list(self)[:8])
        return f"Ranges({shown}{', ...' if len(self) > 8 else ''})"

    @property
    def total(self) -> int:
        """How many bytes are in the set."""
        return sum(self._ends) - sum(self._starts)

    @property
    def end(self) -> int:
        """The end of the last range; 0 if there is none."""
        return self._ends[-1] if self._ends else 0

    def within(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """The ranges that have bytes in `[start, end)`, cut to it."""
        for i in range(bisect_right(self._ends, start), bisect_left(self._starts, end)):
            yield max(self._starts[i], start), min(self._ends[i], end)

    def covers(self, start: int, end: int) -> bool:
        """Whether every byte of `[start, end)` is in the set (true for an empty range)."""
        if start >= end:
            return True
        i = bisect_right(self._ends, start)
        return i < len(self._starts) and self._starts[i] <= start and end <= self._ends[i]

    def touches(self, start: int, end: int) -> bool:
        """Whether any byte of `[start, end)` is in the set."""
        return start < end and bisect_right(self._ends, start) < bisect_left(self._starts, end)

    def clipped(self, start: int, end: int) -> Ranges:
        """What of the set lies in `[start, end)`."""
        first, after = bisect_right(self._ends, start), bisect_left(self._starts, end)
        if start >= end or first >= after:
            return Ranges()
        starts, ends = self._starts[first:after], self._ends[first:after]
        starts[0], ends[-1] = max(starts[0], start), min(ends[-1], end)
        return Ranges._of(starts, ends)

    def shifted(self, by: int) -> Ranges:
        """The set moved up by `by` bytes (down if negative). Raises ValueError if it would start below 0."""
        if self and self._starts[0] + by < 0:
            raise ValueError(f"not a range: it would start at {self._starts[0] + by}")
        return Ranges._of(*(array("Q", [at + by for at in places]) for places in (self._starts, self._ends)))

    def inverted(self, start: int, end: int) -> Ranges:
        """What of `[start, end)` is not in the set."""
        first, after = bisect_right(self._ends, start), bisect_left(self._starts, end)
        if start >= end or first >= after:
            return Ranges([(start, max(start, end))])
        # Each gap begins where a range ends, and ends where the next one starts.
        starts, ends = array("Q", [start]), self._starts[first:after]
        starts.extend(self._ends[first:after])
        ends.append(end)
        if ends[0] <= start:
            del starts[0], ends[0]
        if starts and starts[-1] >= end:
            del starts[-1], ends[-1]
        return Ranges._of(starts, ends)

    def _gaps(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        at = start
        for low, high in self.within(start, end):
            yield at, low
            at = high
        yield at, max(at, end)

    def __or__(self, other: Ranges) -> Ranges:
        if not self or not other:
            return self or other
        for first, second in ((self, other), (other, self)):
            if first._ends[-1] <= second._starts[0]:
                return Ranges.joined((first, second))
        return Ranges((*self, *other))

    def __and__(self, other: Ranges) -> Ranges:
        fewer, more = sorted((self, other), key=len)
        return Ranges.ascending(pair for start, end in fewer for pair in more.within(start, end))

    def __sub__(self, other: Ranges) -> Ranges:
        if len(other) * _MANY < len(self):
            return Ranges.joined(self._between(other))
        return Ranges.ascending(pair for start, end in self for pair in other._gaps(start, end))

    def _between(self, others: Ranges) -> Iterator[Ranges]:
        """What lies between a few others, piece by piece."""
        for start, end in others.inverted(0, max(self.end, others.end)):
            yield self.clipped(start, end)
