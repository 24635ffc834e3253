"""FAT volumes made by hand, from the tables of FATGEN 1.03, for what mkfs.fat will not make."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, replace

from backupctl.formats.reader import check_bounds


@dataclass(frozen=True)
class FatImage:
    """A volume with sectors of 512 bytes; `bits` is the width in which its tables are written."""

    clusters: int
    bits: int
    entries: Mapping[int, int]
    wide: bool = False  # the boot sector's layout is that of FAT32
    per_cluster: int = 1
    reserved: int = 1
    fats: int = 2
    root_entries: int = 512
    media: int = 0xF8
    flags: int = 0  # FAT32: mirroring and active table
    second: int = 0x0FFFFFFF  # entry 1
    state: int = 0
    spare_sectors: int = 0  # after the last cluster

    @property
    def table_sectors(self) -> int:
        return -(-(self.clusters + 2) * self.bits // 8 // 512)

    @property
    def data_sector(self) -> int:
        root = 0 if self.wide else self.root_entries * 32 // 512
        return self.reserved + self.fats * self.table_sectors + root

    @property
    def total_sectors(self) -> int:
        return self.data_sector + self.clusters * self.per_cluster + self.spare_sectors

    @property
    def size(self) -> int:
        return self.total_sectors * 512

    def free(self) -> list[tuple[int, int]]:
        """Byte ranges of the clusters whose entry is 0 (of FAT32 its low 28 bits), one a cluster."""
        step, start = self.per_cluster * 512, self.data_sector * 512
        mask = (1 << min(self.bits, 28)) - 1
        return [
            (start + (n - 2) * step, start + (n - 1) * step)
            for n in range(2, self.clusters + 2)
            if not self.entries.get(n, 0) & mask
        ]

    def boot(self) -> bytes:
        total16 = self.total_sectors if self.total_sectors < 65536 and not self.wide else 0
        total32 = 0 if total16 else self.total_sectors
        boot = bytearray(512)
        boot[0:11] = b"\xeb\x3c\x90backupct"
        struct.pack_into(
            "<HBHBHHBHHHLL",
            boot,
            11,
            512,
            self.per_cluster,
            self.reserved,
            self.fats,
            0 if self.wide else self.root_entries,
            total16,
            self.media,
            0 if self.wide else self.table_sectors,
            32,
            2,
            0,
            total32,
        )
        if self.wide:
            struct.pack_into("<LHHLHH", boot, 36, self.table_sectors, self.flags, 0, 2, 1, 6)
        text = b"FAT32   " if self.wide else b"FAT     "
        struct.pack_into(
            "<BBBL11s8s", boot, 64 if self.wide else 36, 0x80, self.state, 0x29, 0x1234ABCD, b"NO NAME    ", text
        )
        boot[510:] = b"\x55\xaa"
        return bytes(boot)

    def table(self) -> bytes:
        table = bytearray(self.table_sectors * 512)
        first = (0x0FFFFF00 | self.media, self.second)
        for n, value in {0: first[0], 1: first[1], **self.entries}.items():
            if self.bits == 12:
                at = n + n // 2
                pair = int.from_bytes(table[at : at + 2], "little")
                pair = pair & 0x000F | (value & 0xFFF) << 4 if n % 2 else pair & 0xF000 | value & 0xFFF
                table[at : at + 2] = pair.to_bytes(2, "little")
            else:
                width = self.bits // 8
                mask = 0xFFFF if self.bits == 16 else 0xFFFFFFFF
                table[n * width : (n + 1) * width] = (value & mask).to_bytes(width, "little")
        return bytes(table)

    def head(self) -> bytes:
        """Everything up to the first cluster; the clusters are zeros."""
        boot = self.boot()
        reserved = bytearray(boot.ljust(self.reserved * 512, b"\0"))
        if self.wide:
            struct.pack_into("<L480xLLL12xL", reserved, 512, 0x41615252, 0x61417272, len(self.free()), 2, 0xAA550000)
            reserved[6 * 512 : 7 * 512] = boot
        return (bytes(reserved) + self.table() * self.fats).ljust(self.data_sector * 512, b"\0")


class SparseReader:
    """ReadAt over `head`, and zeros from there to `size`."""

    def __init__(self, head: bytes, size: int) -> None:
        self._head = head
        self._size = size

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self._size)
        return self._head[offset : offset + length].ljust(length, b"\0")


def fat12(**changes: object) -> FatImage:
    return replace(FatImage(300, 12, {2: 3, 3: 0xFFF, 5: 0xFF7, 301: 0xFFF}), **changes)  # type: ignore[arg-type]


def fat16(**changes: object) -> FatImage:
    return replace(FatImage(5000, 16, {2: 3, 3: 0xFFFF, 5: 0xFFF7, 5001: 0xFFFF}), **changes)  # type: ignore[arg-type]


def fat32(**changes: object) -> FatImage:
    entries = {2: 0x0FFFFFFF, 4: 0x10000000, 5: 0x0FFFFFF7, 7: 0xF0000009, 65526: 0x0FFFFFF8}
    made = FatImage(65525, 32, entries, wide=True, reserved=32)
    return replace(made, **changes)  # type: ignore[arg-type]
