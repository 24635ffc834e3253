"""Writing a partition table anew: other places, other identities, another size of card or of sectors.

What is not asked to change stays as it is, byte for byte: boot code, types, names, attributes, flags. The formats are
told in `mbr` and `gpt`. Everything here gives patches, `(offset, bytes)`, that make up the whole of the table.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from uuid import UUID

from backupctl.domain.errors import Malformed
from backupctl.domain.fitting import Extent
from backupctl.domain.volume import Partition, PartitionTable
from backupctl.formats import gpt, mbr
from backupctl.formats.reader import ReadAt

Patch = tuple[int, bytes]

_SIGNATURE_AT = 440
_ENTRY_BYTES = 16
_LINK_TYPE = 0x05
_HEADS, _TRACK_SECTORS = 255, 63  # the geometry that tools assume (common practice, no source)
_BEYOND = b"\xfe\xff\xff"  # what they write for a place that has none
_MOST_SECTORS = 1 << 32  # of an MBR
_PROTECTIVE_START = b"\x00\x02\x00"  # UEFI, section 5.2.3


@dataclass(frozen=True)
class NewTable:
    """What a table is to say. Sizes and places are bytes."""

    card_size: int
    sector_size: int
    places: Mapping[int, Extent]  # of every partition, by number
    container: Extent | None = None  # the extended partition
    identity: str = ""  # empty: as it was
    identities: Mapping[int, str] = field(default_factory=dict)  # of a GPT's partitions; else those as they were


def usable_end(table: PartitionTable, reader: ReadAt, card_size: int, sector_size: int) -> int:
    """Up to which byte partitions may lie on a card of that size, with the table that `reader` has."""
    whole = card_size // sector_size
    if table.scheme == "mbr":
        return min(whole, _MOST_SECTORS) * sector_size
    return (whole - 1 - _sectors_of(gpt.any_copy(reader, table.sector_size).array, sector_size)) * sector_size


def rewritten(reader: ReadAt, table: PartitionTable, new: NewTable) -> list[Patch]:
    """The whole of `table`, which `reader` has, as `new` wants it.

    Raises Malformed if a place is no whole number of the new sectors, or beyond what the format can say.
    """
    for number, (start, end) in new.places.items():
        if start % new.sector_size or end % new.sector_size:
            raise Malformed(
                f"partition {number}",
                start,
                f"a place in whole sectors of {new.sector_size} bytes",
                f"{start} to {end}",
            )
    return _mbr(reader, table, new) if table.scheme == "mbr" else _gpt(reader, table, new)


def _mbr(reader: ReadAt, table: PartitionTable, new: NewTable) -> list[Patch]:
    old = reader.read_at(0, mbr.RECORD)
    record = bytearray(old)
    if new.identity:
        record[_SIGNATURE_AT : _SIGNATURE_AT + 4] = int(new.identity, 16).to_bytes(4, "little")
    for number, entry in enumerate(mbr.entries(old), 1):
        if not entry.used:
            continue
        place = new.container if entry.extended else new.places[number]
        assert place is not None
        _place(record, entry.told_at, place, 0, new.sector_size)
    patches = [(0, bytes(record))]
    logical = [partition for partition in table.partitions if partition.number >= mbr.FIRST_LOGICAL]
    if logical and new.container:
        patches += _chain(reader, table, logical, new, new.container)
    elif new.container:
        # Whoever reads the table looks for a record there, also where it holds no partition.
        patches.append((new.container[0], bytes(446 + 4 * _ENTRY_BYTES) + b"\x55\xaa"))
    return patches


def _chain(
    reader: ReadAt, table: PartitionTable, logical: list[Partition], new: NewTable, container: Extent
) -> list[Patch]:
    """The extended boot records: each as far before its partition as it was, the first where the chain begins."""
    old = {record.number: record for record in mbr.logical_records(reader, table.sector_size)}
    at = {
        partition.number: new.places[partition.number][0] - (partition.start - old[partition.number].at)
        for partition in logical
    }
    at[logical[0].number] = container[0]
    patches = []
    for position, partition in enumerate(logical):
        found = old[partition.number]
        here = at[partition.number]
        record = bytearray(found.record)
        entry = record[found.entry_at : found.entry_at + _ENTRY_BYTES]
        record[446:510] = bytes(4 * _ENTRY_BYTES)
        record[446 : 446 + _ENTRY_BYTES] = entry
        _place(record, 446, new.places[partition.number], here, new.sector_size)
        if position + 1 < len(logical):
            following = logical[position + 1].number
            record[462 + 4] = _LINK_TYPE
            span = (at[following], new.places[following][1])
            _place(record, 462, span, container[0], new.sector_size)
        patches.append((here, bytes(record)))
    return patches


def _place(record: bytearray, at: int, place: Extent, base: int, sector_size: int) -> None:
    """Writes a place into the entry at byte `at`; an entry that says the same already stays as it is."""
    first, sectors = place[0] // sector_size, (place[1] - place[0]) // sector_size
    said = struct.pack("<II", first - base // sector_size, sectors)
    if record[at + 8 : at + 16] == said:
        return
    record[at + 1 : at + 4] = _cylinder_head_sector(first)
    record[at + 5 : at + 8] = _cylinder_head_sector(first + sectors - 1)
    record[at + 8 : at + 16] = said


def _cylinder_head_sector(lba: int) -> bytes:
    cylinder, rest = divmod(lba, _HEADS * _TRACK_SECTORS)
    if cylinder > 1023:
        return _BEYOND
    head, sector = divmod(rest, _TRACK_SECTORS)
    return bytes((head, sector + 1 | cylinder >> 8 << 6, cylinder & 0xFF))


def _gpt(reader: ReadAt, table: PartitionTable, new: NewTable) -> list[Patch]:
    copy = gpt.any_copy(reader, table.sector_size)
    array = bytearray(copy.array)
    for number, (start, end) in new.places.items():
        at = (number - 1) * copy.entry_size
        array[at + 32 : at + 48] = struct.pack("<QQ", start // new.sector_size, end // new.sector_size - 1)
        if number in new.identities:
            array[at + 16 : at + 32] = UUID(new.identities[number]).bytes_le
    array_sectors = _sectors_of(array, new.sector_size)
    last = new.card_size // new.sector_size - 1
    # An array may begin later than at once, to leave room to a boot loader.
    array_at = copy.array_lba if copy.lba == gpt.PRIMARY_LBA and table.sector_size == new.sector_size else 2
    first_usable = max(-(-copy.first_usable * table.sector_size // new.sector_size), array_at + array_sectors)
    last_usable = last - array_sectors - 1
    guid = UUID(new.identity).bytes_le if new.identity else copy.disk_guid

    def header(lba: int, alternate: int, array_lba: int) -> Patch:
        fields = gpt.Header(lba, alternate, first_usable, last_usable, guid, array_lba, copy.entry_size)
        content = gpt.packed(fields, bytes(array))
        return lba * new.sector_size, content.ljust(new.sector_size, b"\0")

    padded = bytes(array).ljust(array_sectors * new.sector_size, b"\0")
    return [
        ((last - array_sectors) * new.sector_size, padded),
        header(last, gpt.PRIMARY_LBA, last - array_sectors),
        (array_at * new.sector_size, padded),
        header(gpt.PRIMARY_LBA, last, array_at),
        (0, _protective(reader.read_at(0, mbr.RECORD), last)),
    ]


def _protective(old: bytes, last: int) -> bytes:
    """UEFI, section 5.2.3: one entry from sector 1 over all of the card."""
    record = bytearray(old)
    entry = next(entry for entry in mbr.entries(old) if entry.type == mbr.PROTECTIVE)
    at = entry.told_at
    sectors = min(last, 0xFFFFFFFF)
    record[at + 1 : at + 4] = _PROTECTIVE_START
    record[at + 5 : at + 8] = (
        b"\xff\xff\xff" if last // (_HEADS * _TRACK_SECTORS) > 1023 else _cylinder_head_sector(last)
    )
    record[at + 8 : at + 16] = struct.pack("<II", 1, sectors)
    return bytes(record)


def _sectors_of(array: bytes | bytearray, sector_size: int) -> int:
    return -(-len(array) // sector_size)
