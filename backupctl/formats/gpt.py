"""The GUID partition table: two copies, each with its checksums (UEFI Specification, sections 5.3.1 to 5.3.3)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from uuid import UUID
from zlib import crc32

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import Partition, PartitionTable
from backupctl.formats.claims import Claim, reject_overlap
from backupctl.formats.reader import ReadAt

MAGIC = b"EFI PART"
PRIMARY_LBA = 1

_HEADER = struct.Struct("<8sIIIIQQQQ16sQIII")
_REVISION = 0x00010000
_ENTRY = struct.Struct("<16s16sQQQ72s")
_UNUSED = bytes(16)
_BIOS_BOOTABLE = 1 << 2  # attribute bit 2, section 5.3.3
_MAX_ARRAY = 1 << 20  # bytes; the usual array has 16 KiB


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy of the table whose checksums are right. All places in sectors."""

    lba: int
    alternate: int
    first_usable: int
    last_usable: int  # inclusive, as on the card
    disk_guid: bytes
    array_lba: int
    entry_size: int  # bytes
    array: bytes

    def told(self) -> tuple[int, int, bytes, int, bytes]:
        """What the other copy must say as well."""
        return self.first_usable, self.last_usable, self.disk_guid, self.entry_size, self.array

    def structures(self, sector_size: int) -> list[tuple[int, int]]:
        array_sectors = -(-len(self.array) // sector_size)
        return [
            (self.lba * sector_size, (self.lba + 1) * sector_size),
            (self.array_lba * sector_size, (self.array_lba + array_sectors) * sector_size),
        ]


@dataclass(frozen=True, slots=True)
class Header:
    """What one copy's header is to say, beside what follows from its array. All places in sectors."""

    lba: int
    alternate: int
    first_usable: int
    last_usable: int  # inclusive
    disk_guid: bytes
    array_lba: int
    entry_size: int  # bytes


def packed(header: Header, array: bytes) -> bytes:
    """A header with its checksums (section 5.3.2)."""

    def fields(own_crc: int) -> bytes:
        return _HEADER.pack(
            MAGIC, _REVISION, _HEADER.size, own_crc, 0, header.lba, header.alternate, header.first_usable,
            header.last_usable, header.disk_guid, header.array_lba, len(array) // header.entry_size, header.entry_size,
            crc32(array),
        )  # fmt: skip

    return fields(crc32(fields(0)))


def any_copy(reader: ReadAt, sector_size: int) -> Copy:
    """The primary copy, or the backup at the card's end where that is damaged. Raises Malformed if both are."""
    try:
        return _read_copy(reader, sector_size, PRIMARY_LBA)
    except Malformed:
        return _read_copy(reader, sector_size, reader.size // sector_size - 1)


def has_magic(reader: ReadAt, sector_size: int) -> bool:
    """Whether a GPT header for this sector size seems to stand in either of its two places."""
    last = reader.size // sector_size - 1
    return last > PRIMARY_LBA and any(
        reader.read_at(lba * sector_size, len(MAGIC)) == MAGIC for lba in (PRIMARY_LBA, last)
    )


def read_gpt(reader: ReadAt, sector_size: int) -> PartitionTable:
    """The table by its primary copy, or with a warning by its backup.

    Raises Malformed if neither copy is sound, if two sound copies disagree, or if the partitions do not fit.
    """
    last_lba = reader.size // sector_size - 1
    warnings: list[str] = []
    try:
        copies = [_read_copy(reader, sector_size, PRIMARY_LBA)]
    except Malformed as primary_error:
        try:
            copies = [_read_copy(reader, sector_size, last_lba)]
        except Malformed as backup_error:
            raise Malformed(
                "GPT",
                PRIMARY_LBA * sector_size,
                "a sound primary or backup copy",
                f"neither ({primary_error.cause}; {backup_error.cause})",
            ) from backup_error
        warnings.append(f"the primary GPT is damaged, its backup was used ({primary_error.cause})")
        if copies[0].alternate != PRIMARY_LBA:
            raise _disagreement(copies[0], sector_size) from primary_error
    else:
        primary = copies[0]
        try:
            backup = _read_copy(reader, sector_size, primary.alternate)
        except Malformed as backup_error:
            warnings.append(f"the GPT has no sound backup ({backup_error.cause})")
        else:
            if backup.told() != primary.told() or backup.alternate != PRIMARY_LBA:
                raise _disagreement(backup, sector_size)
            copies.append(backup)
            if backup.lba != last_lba:
                warnings.append(
                    f"the backup GPT stands at sector {backup.lba}, not at the card's last, {last_lba}: "
                    "the table was made for a smaller card"
                )
    return PartitionTable(
        scheme="gpt",
        identity=str(UUID(bytes_le=copies[0].disk_guid)),
        sector_size=sector_size,
        partitions=_partitions(copies[0], sector_size),
        structures=Ranges([(0, sector_size), *(part for copy in copies for part in copy.structures(sector_size))]),
        warnings=tuple(warnings),
    )


def _disagreement(backup: Copy, sector_size: int) -> Malformed:
    return Malformed("backup GPT", backup.lba * sector_size, "the same table as the primary", "another")


def _read_copy(reader: ReadAt, sector_size: int, lba: int) -> Copy:
    """The copy whose header is at sector `lba`. Raises Malformed unless all of it is sound and on the card."""
    card_end = reader.size // sector_size
    at = lba * sector_size
    if not PRIMARY_LBA <= lba < card_end:
        raise Malformed("GPT header", at, f"a place in sectors 1 to {card_end}", f"sector {lba}")
    sector = reader.read_at(at, sector_size)
    (
        magic,
        revision,
        header_size,
        header_crc,
        _reserved,
        my_lba,
        alternate,
        first_usable,
        last_usable,
        disk_guid,
        array_lba,
        count,
        entry_size,
        array_crc,
    ) = _HEADER.unpack_from(sector)
    if magic != MAGIC:
        raise Malformed("GPT header", at, MAGIC.decode(), magic.hex())
    if revision != _REVISION:
        raise Malformed("GPT header", at + 8, f"revision {_REVISION:08x}", f"{revision:08x}")
    if not _HEADER.size <= header_size <= sector_size:
        raise Malformed("GPT header", at + 12, f"a size of {_HEADER.size} to {sector_size}", f"{header_size}")
    crc = crc32(sector[:16] + bytes(4) + sector[20:header_size])
    if crc != header_crc:
        raise Malformed("GPT header", at + 16, f"CRC {crc:08x}", f"{header_crc:08x}")
    if my_lba != lba:
        raise Malformed("GPT header", at + 24, f"its own sector {lba}", f"{my_lba}")
    if alternate == lba:
        raise Malformed("GPT header", at + 32, "another sector for the other copy", f"its own, {lba}")
    if entry_size < _ENTRY.size or entry_size.bit_count() != 1 or not 0 < count * entry_size <= _MAX_ARRAY:
        raise Malformed(
            "GPT header",
            at + 80,
            f"entries of 128 x 2^n bytes, {_MAX_ARRAY} bytes at most in all",
            f"{count} x {entry_size}",
        )
    if not PRIMARY_LBA < first_usable <= last_usable < card_end:
        raise Malformed(
            "GPT header", at + 40, f"usable sectors from 2 up, below {card_end}", f"{first_usable} to {last_usable}"
        )
    array_end = array_lba + -(-count * entry_size // sector_size)
    if array_end > card_end:
        raise Malformed("GPT header", at + 72, f"entries before sector {card_end}", f"{array_lba} to {array_end}")
    reject_overlap(
        [
            Claim(0, PRIMARY_LBA, "the protective MBR", 0),
            Claim(lba, lba + 1, "the GPT header", at),
            Claim(array_lba, array_end, "the GPT entries", at + 72),
            Claim(first_usable, last_usable + 1, "the usable area", at + 40),
        ]
    )
    array = reader.read_at(array_lba * sector_size, count * entry_size)
    crc = crc32(array)
    if crc != array_crc:
        raise Malformed("GPT entries", array_lba * sector_size, f"CRC {array_crc:08x}", f"{crc:08x}")
    return Copy(lba, alternate, first_usable, last_usable, disk_guid, array_lba, entry_size, array)


def _partitions(copy: Copy, sector_size: int) -> tuple[Partition, ...]:
    partitions = []
    claims = []
    for number, offset in enumerate(range(0, len(copy.array), copy.entry_size), 1):
        type_guid, guid, first, last, attributes, name = _ENTRY.unpack_from(copy.array, offset)
        if type_guid == _UNUSED:
            continue
        owner = f"GPT partition {number}"
        told_at = copy.array_lba * sector_size + offset
        if not copy.first_usable <= first <= last <= copy.last_usable:
            raise Malformed(
                owner, told_at + 32, f"sectors in {copy.first_usable} to {copy.last_usable}", f"{first} to {last}"
            )
        claims.append(Claim(first, last + 1, owner, told_at))
        partitions.append(
            Partition(
                number=number,
                start=first * sector_size,
                end=(last + 1) * sector_size,
                type=str(UUID(bytes_le=type_guid)).upper(),
                identity=str(UUID(bytes_le=guid)),
                name=name.decode("utf-16-le", "replace").split("\0", 1)[0],
                bootable=bool(attributes & _BIOS_BOOTABLE),
            )
        )
    reject_overlap(claims)
    return tuple(partitions)
