"""Chains of clusters on FAT12, FAT16 and FAT32: which cluster of a file comes after which.

Source: as in `fat`, "FAT Data Structure".
"""

from __future__ import annotations

from collections.abc import Iterator

from backupctl.domain.errors import Malformed
from backupctl.formats.fat import BITS, Layout
from backupctl.formats.reader import ReadAt

_READ = 4096  # bytes of the table at a time
_END = {"fat12": 0xFF8, "fat16": 0xFFF8, "fat32": 0x0FFFFFF8}


class ChainReader:
    """Follows chains in the copy of the allocation table that counts."""

    def __init__(self, reader: ReadAt, layout: Layout) -> None:
        self._reader = reader
        self._layout = layout
        self._table = layout.tables[layout.active]
        self._bits = BITS[layout.kind]
        self._table_bytes = ((layout.clusters + 2) * self._bits + 7) // 8
        self._kept: tuple[int, bytes] = (-1, b"")

    def runs(self, first: int, most: int) -> Iterator[tuple[int, int]]:
        """Runs of clusters that follow each other, as first one and count: `most` clusters at most, from `first` on.

        Raises Malformed for a chain that leaves the volume, or comes back to where it was.
        """
        start, count, total = first, 0, 0
        seen_up_to, checkpoint = 1, first
        cluster = first
        while True:
            if not 2 <= cluster < self._layout.clusters + 2:
                raise self._broken(cluster, f"a cluster from 2 to {self._layout.clusters + 1}")
            if cluster != start + count:
                yield start, count
                start, count = cluster, 0
            count += 1
            total += 1
            if total >= most:
                break
            following = self._entry(cluster)
            if following >= _END[self._layout.kind]:
                break
            # A chain with a loop meets the cluster that it was at after 1, 2, 4, 8, ... steps (Brent, 1980).
            if following == checkpoint:
                raise self._broken(following, "a chain without a loop")
            if total == seen_up_to:
                checkpoint, seen_up_to = following, 2 * seen_up_to
            cluster = following
        yield start, count

    def _entry(self, cluster: int) -> int:
        at = cluster * self._bits // 8
        block, within = divmod(at, _READ)
        kept, raw = self._kept
        if kept != block:
            offset = block * _READ
            # An entry of FAT12 may go on in the next stretch.
            raw = self._reader.read_at(self._table + offset, min(_READ + 1, self._table_bytes - offset))
            self._kept = (block, raw)
        value = int.from_bytes(raw[within : within + (self._bits + 7) // 8], "little")
        if self._bits == 12:
            return value >> 4 if cluster % 2 else value & 0xFFF
        return value & 0x0FFFFFFF if self._bits == 32 else value

    def _broken(self, cluster: int, expected: str) -> Malformed:
        return Malformed("FAT chain", self._table, expected, f"cluster {cluster}")
