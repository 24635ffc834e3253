"""Which bytes of a card are data, which must be zero, and which are free."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import Partition, PartitionTable, VolumeMap


@dataclass(frozen=True)
class CardVolume:
    """A volume and where it lies on the card, in bytes; `partition` is None for a bare one."""

    start: int
    end: int
    map: VolumeMap
    partition: Partition | None
    left_out: bool = False


@dataclass(frozen=True)
class CardMap:
    """A whole card. What is neither `free` nor `zero` is data; everything outside volumes is."""

    size: int
    sector_size: int
    table: PartitionTable | None
    volumes: tuple[CardVolume, ...]
    free: Ranges
    zero: Ranges
    warnings: tuple[str, ...]

    @cached_property
    def data(self) -> Ranges:
        return (self.free | self.zero).inverted(0, self.size)

    @property
    def in_use_bytes(self) -> int:
        return self.size - self.free.total


def cells(data: Ranges, zero: Ranges, size: int, cell: int) -> Iterator[tuple[int, int, bool]]:
    """The cells of a grid that a capture has to list: `(start, end, any data in it)`, in order.

    A cell that is free everywhere is none of them; the last one may be short.
    """
    in_data, in_zero = (iter(cell_numbers(ranges, cell)) for ranges in (data, zero))
    none = size // cell + 1
    next_data, next_zero = next(in_data, none), next(in_zero, none)
    while (index := min(next_data, next_zero)) < none:
        yield index * cell, min((index + 1) * cell, size), next_data == index
        if next_data == index:
            next_data = next(in_data, none)
        if next_zero == index:
            next_zero = next(in_zero, none)


def cell_numbers(ranges: Ranges, cell: int) -> Iterator[int]:
    """The numbers of the cells that `ranges` touch, each once."""
    done = 0
    for start, end in ranges:
        first, after = max(start // cell, done), -(-end // cell)
        yield from range(first, after)
        done = max(done, after)
