"""Card images with a partition table, laid out by hand after UEFI, sections 5.2.1, 5.2.3 and 5.3.

`test_partition_tables.py` shows them to sfdisk before anything else rests on them.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID
from zlib import crc32

DISK_SIGNATURE = 0xDEADBEEF
DISK_GUID = UUID("00112233-4455-6677-8899-aabbccddeeff")
LINUX = UUID("0fc63daf-8483-4772-8e79-3d69d8477de4")

MbrEntry = tuple[int, int, int]  # type, start, sectors


def put_record(card: bytearray, at: int, entries: Sequence[MbrEntry], flag: int = 0) -> None:
    """Writes a boot record's entries and its 55 AA at byte `at`; the MBR gets its signature as well."""
    if at == 0:
        card[440:444] = DISK_SIGNATURE.to_bytes(4, "little")
    for index, (kind, start, sectors) in enumerate(entries):
        struct.pack_into("<B3xB3xII", card, at + 446 + 16 * index, flag, kind, start, sectors)
    card[at + 510 : at + 512] = b"\x55\xaa"


def mbr_card(*entries: MbrEntry, sectors: int = 2048, sector_size: int = 512) -> bytearray:
    card = bytearray(sectors * sector_size)
    put_record(card, 0, entries)
    return card


@dataclass(frozen=True)
class Header:
    """A GPT header as it will stand on the card; every field can be made to lie. Places in sectors."""

    my_lba: int
    alternate: int
    first_usable: int
    last_usable: int
    array_lba: int
    array: bytes
    count: int
    entry_size: int = 128
    magic: bytes = b"EFI PART"
    revision: int = 0x00010000
    size: int = 92
    disk_guid: UUID = DISK_GUID
    header_crc: int | None = None
    array_crc: int | None = None

    def bytes(self) -> bytes:
        def packed(crc: int) -> bytes:
            return struct.pack(
                "<8sIIIIQQQQ16sQIII",
                self.magic,
                self.revision,
                self.size,
                crc,
                0,
                self.my_lba,
                self.alternate,
                self.first_usable,
                self.last_usable,
                self.disk_guid.bytes_le,
                self.array_lba,
                self.count,
                self.entry_size,
                crc32(self.array) if self.array_crc is None else self.array_crc,
            )

        return packed(crc32(packed(0)) if self.header_crc is None else self.header_crc)


@dataclass(frozen=True)
class GptCard:
    """A card with a protective MBR and two copies of a GPT with 128 entries of 128 bytes."""

    primary: Header
    backup: Header
    sectors: int
    sector_size: int

    @classmethod
    def with_partitions(cls, *places: tuple[int, int], sectors: int = 512, sector_size: int = 512) -> GptCard:
        """`places` are first and last sector of each partition, the last one included."""
        array = bytearray(128 * 128)
        for index, (first, last) in enumerate(places):
            guid = UUID(int=DISK_GUID.int + 1 + index)
            name = f"part {index + 1}".encode("utf-16-le")
            struct.pack_into("<16s16sQQQ72s", array, 128 * index, LINUX.bytes_le, guid.bytes_le, first, last, 0, name)
        array_sectors = len(array) // sector_size
        last_lba = sectors - 1
        primary = Header(
            my_lba=1,
            alternate=last_lba,
            first_usable=2 + array_sectors,
            last_usable=last_lba - array_sectors - 1,
            array_lba=2,
            array=bytes(array),
            count=128,
        )
        backup = replace(primary, my_lba=last_lba, alternate=1, array_lba=last_lba - array_sectors)
        return cls(primary, backup, sectors, sector_size)

    def lying(self, **fields: Any) -> GptCard:
        """The same card with the fields changed in both copies, checksums made right again."""
        return replace(self, primary=replace(self.primary, **fields), backup=replace(self.backup, **fields))

    def bytes(self) -> bytearray:
        card = bytearray(self.sectors * self.sector_size)
        last_at = (self.sectors - 1) * self.sector_size
        size = len(self.primary.array)
        card[2 * self.sector_size : 2 * self.sector_size + size] = self.primary.array
        card[last_at - size : last_at] = self.backup.array
        card[self.sector_size : self.sector_size + 92] = self.primary.bytes()
        card[last_at : last_at + 92] = self.backup.bytes()
        put_record(card, 0, [(0xEE, 1, self.sectors - 1)])
        card[440:444] = bytes(4)
        card[446:462] = bytes.fromhex("00000200eeffffff01000000") + (self.sectors - 1).to_bytes(4, "little")
        return card
