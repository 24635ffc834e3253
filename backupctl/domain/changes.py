"""What changed on a card from one capture to the next: a sample of its cells, small enough to stand in the manifest.

Thinning takes captures away, and with them what could be compared; this stays, so that a forecast knows every night
that the board ever had.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

SAMPLED_CELLS = 4096  # in use, at most: some 100 change in a night, which is a KiB in the manifest
_SPREAD, _WORD = 0x9E3779B1, 0xFFFFFFFF
_UNIT = 512  # of stored bytes
_NUMBER_MOST = 1 << 60
_STORED_MOST = 1 << 16  # units


def one_in_for(cells_in_use: int) -> int:
    """The sample for a card with that many cells in use: one cell in so many."""
    return max(1, -(-cells_in_use // SAMPLED_CELLS))


def fraction(cell: int) -> float:
    """From 0 up to 1, evenly spread over the cells: a multiplicative hash.

    See Knuth, The Art of Computer Programming 3, 6.4.
    """
    return (cell * _SPREAD & _WORD) / (_WORD + 1)


def is_sampled(cell: int, one_in: int) -> bool:
    """A sample of one cell in n is part of that of one in fewer, so that samples of different sizes can be compared."""
    return (cell * _SPREAD & _WORD) * one_in <= _WORD


def sampled_cells(cells: int, one_in: int) -> Iterator[int]:
    """Of the cells of a card, by number, those that are in the sample."""
    return (cell for cell in range(cells) if (cell * _SPREAD & _WORD) * one_in <= _WORD)


@dataclass(frozen=True)
class Changes:
    """The sampled cells that hold another segment than in the capture `since`; `stored`: bytes of all new segments.

    `written` and `appeared` (these had none before): cell -> bytes stored for it, 0 for a segment that the shelf held.
    `freed`: cells that have none now. Bytes are multiples of 512.
    """

    since: str
    one_in: int
    stored: int
    written: dict[int, int]
    appeared: dict[int, int]
    freed: frozenset[int]

    def body(self) -> dict[str, Any]:
        """As an event says it: lists of cell, stored / 512, cell, ..."""
        return {
            "since": self.since,
            "one_in": self.one_in,
            "stored": self.stored,
            "written": _flat(self.written),
            "appeared": _flat(self.appeared),
            "freed": sorted(self.freed),
        }

    def sampled(self, one_in: int) -> Changes:
        """The same by a smaller sample."""
        return Changes(
            self.since,
            one_in,
            self.stored,
            {cell: stored for cell, stored in self.written.items() if is_sampled(cell, one_in)},
            {cell: stored for cell, stored in self.appeared.items() if is_sampled(cell, one_in)},
            frozenset(cell for cell in self.freed if is_sampled(cell, one_in)),
        )

    def fewest(self, written: int, appeared: int, freed: int) -> Changes:
        """So many of each: those that the smallest samples have."""
        return replace(
            self,
            written={cell: self.written[cell] for cell in _first(self.written, written)},
            appeared={cell: self.appeared[cell] for cell in _first(self.appeared, appeared)},
            freed=frozenset(_first(self.freed, freed)),
        )


def _first(cells: Iterable[int], count: int) -> list[int]:
    return sorted(cells, key=fraction)[:count]


def parse_changes(body: object) -> Changes | None:
    """None for what is no such thing: events come from a share."""
    if not isinstance(body, dict):
        return None
    since, one_in, stored = body.get("since"), body.get("one_in"), body.get("stored")
    if not isinstance(since, str) or type(one_in) is not int or type(stored) is not int:
        return None
    if not 1 <= one_in <= _NUMBER_MOST or not 0 <= stored <= _NUMBER_MOST:
        return None
    try:
        written, appeared, freed = _pairs(body["written"]), _pairs(body["appeared"]), _numbers(body["freed"])
        return Changes(since, one_in, stored, written, appeared, frozenset(freed))
    except (KeyError, ValueError):
        return None


def _flat(cells: dict[int, int]) -> list[int]:
    return [number for cell in sorted(cells) for number in (cell, cells[cell] // _UNIT)]


def _numbers(value: object) -> Iterator[int]:
    for number in value if isinstance(value, list) else [None]:
        if type(number) is not int or not 0 <= number < _NUMBER_MOST:
            raise ValueError
        yield number


def _pairs(value: object) -> dict[int, int]:
    numbers = list(_numbers(value))
    cells = dict(zip(numbers[::2], numbers[1::2], strict=True))
    if any(stored > _STORED_MOST for stored in cells.values()):
        raise ValueError
    return {cell: stored * _UNIT for cell, stored in cells.items()}
