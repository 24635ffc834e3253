"""Sets of bytes as sorted, disjoint, half-open ranges, kept in arrays (16 bytes a range)."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator


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
        return Ranges.ascending(self.within(start, end))

    def shifted(self, by: int) -> Ranges:
        """The set moved up by `by` bytes (down if negative)."""
        return Ranges.ascending((start + by, end + by) for start, end in self)

    def inverted(self, start: int, end: int) -> Ranges:
        """What of `[start, end)` is not in the set."""
        return Ranges.ascending(self._gaps(start, end))

    def _gaps(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        at = start
        for low, high in self.within(start, end):
            yield at, low
            at = high
        yield at, max(at, end)

    def __or__(self, other: Ranges) -> Ranges:
        return Ranges((*self, *other))

    def __and__(self, other: Ranges) -> Ranges:
        fewer, more = sorted((self, other), key=len)
        return Ranges.ascending(pair for start, end in fewer for pair in more.within(start, end))

    def __sub__(self, other: Ranges) -> Ranges:
        return Ranges.ascending(pair for start, end in self for pair in other._gaps(start, end))
