"""The partition table of the master boot record, with its chain of extended boot records.

Layout: UEFI Specification, section 5.2.1 (Legacy MBR). Chain: the links count from the first extended boot record, the
logical partitions from their own, numbers go up from 5 (Linux, block/partitions/msdos.c).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import Partition, PartitionTable
from backupctl.formats.claims import Claim, reject_overlap
from backupctl.formats.reader import ReadAt

RECORD = 512  # bytes of a boot record, at the start of its sector however large that is
PROTECTIVE = 0xEE
EXTENDED = frozenset({0x05, 0x0F, 0x85})
FLAGS = frozenset({0x00, 0x80})
FIRST_LOGICAL = 5

_MAGIC = b"\x55\xaa"
_SIGNATURE_AT = 440
_ENTRIES_AT = 446
_ENTRY = struct.Struct("<B3xB3xII")
_MAX_NUMBER = 255  # a PARTUUID has two hex digits for it


@dataclass(frozen=True, slots=True)
class Entry:
    """One of the four entries of a boot record, not yet judged."""

    told_at: int  # byte on the card
    flag: int
    type: int
    start: int  # sectors, from a base that depends on what the entry is
    sectors: int

    @property
    def used(self) -> bool:
        return self.sectors > 0

    @property
    def extended(self) -> bool:
        return self.type in EXTENDED


def has_magic(record: bytes) -> bool:
    """Whether a boot record ends as one (55 AA)."""
    return record[510:512] == _MAGIC


def entries(record: bytes, at: int = 0) -> list[Entry]:
    """The four entries of the boot record that was read at byte `at`, used or not."""
    offsets = range(_ENTRIES_AT, 510, _ENTRY.size)
    return [Entry(at + offset, *_ENTRY.unpack_from(record, offset)) for offset in offsets]


def extended_partition(record: bytes, sector_size: int) -> tuple[int, int] | None:
    """Where the extended partition lies that the card's first record names, in bytes; None if there is none."""
    found = next((entry for entry in entries(record) if entry.used and entry.extended), None)
    return (found.start * sector_size, (found.start + found.sectors) * sector_size) if found else None


def is_volume_boot_record(record: bytes) -> bool:
    """Whether the record starts a FAT, NTFS or exFAT file system rather than a card.

    FAT has no magic of its own, so its parameters are checked (fields: Linux, uapi/linux/msdos_fs.h). A card that once
    carried a bare file system keeps these bytes when it gets a table: true is not yet proof that there is none.
    """
    if record[3:11] in (b"NTFS    ", b"EXFAT   "):
        return True
    bytes_per_sector, per_cluster, reserved, fats = struct.unpack_from("<HBHB", record, 11)
    return (
        record[0] in (0xEB, 0xE9)
        and bytes_per_sector in (512, 1024, 2048, 4096)
        and per_cluster.bit_count() == 1
        and reserved > 0
        and fats in (1, 2)
        and (record[21] == 0xF0 or record[21] >= 0xF8)
    )


@dataclass(frozen=True, slots=True)
class LogicalRecord:
    """The extended boot record of a logical partition."""

    number: int
    at: int  # byte on the card
    record: bytes
    entry_at: int  # byte in the record of the entry that is the partition's


def logical_records(reader: ReadAt, sector_size: int) -> list[LogicalRecord]:
    """Of each logical partition of a table that was read well. Raises Malformed."""
    container = extended_partition(reader.read_at(0, RECORD), sector_size)
    if container is None:
        return []
    claim = Claim(container[0] // sector_size, container[1] // sector_size, "the extended partition", 0)
    found: list[LogicalRecord] = []
    for link, logical in _chain(reader, sector_size, claim):
        if logical is not None:
            at = link.start * sector_size
            record = reader.read_at(at, RECORD)
            found.append(LogicalRecord(FIRST_LOGICAL + len(found), at, record, logical.told_at - at))
    return found


def read_mbr(reader: ReadAt, sector_size: int, record: bytes) -> PartitionTable:
    """The table that starts with `record`, the first 512 bytes of the card.

    An entry of type 0 that has a size is a partition, with a warning: Linux and sfdisk take it for one. A partition may
    start at sector 0, over the table itself, with a warning: hybrid CD images do that.

    Raises Malformed if an entry, or the chain, does not hold together.
    """
    card_end = reader.size // sector_size
    signature = int.from_bytes(record[_SIGNATURE_AT : _SIGNATURE_AT + 4], "little")
    warnings: list[str] = []
    partitions: list[Partition] = []

    def add(number: int, claim: Claim, entry: Entry) -> None:
        if entry.type == 0:
            warnings.append(f"{claim.owner} has type 0 (unused) but a size: kept as a partition")
        partitions.append(
            Partition(
                number=number,
                start=claim.start * sector_size,
                end=claim.end * sector_size,
                type=f"{entry.type:02x}",
                identity=f"{signature:08x}-{number:02x}",
                bootable=entry.flag == 0x80,
            )
        )

    claims: list[Claim] = []
    container: Claim | None = None
    for number, entry in enumerate(entries(record), 1):
        if not entry.used:
            continue
        claim = _claim(entry, 0, f"MBR partition {number}", Claim(0, card_end, "the card", 0))
        claims.append(claim)
        if not entry.extended:
            if claim.start == 0:
                warnings.append(f"{claim.owner} starts at sector 0, over the partition table itself")
            add(number, claim, entry)
        elif container is not None:
            raise Malformed(claim.owner, entry.told_at, "at most one extended partition", "another one")
        elif claim.start == 0:
            raise Malformed(claim.owner, entry.told_at, "an extended partition after the MBR", "one from sector 0")
        else:
            container = claim
    reject_overlap(claims)

    structures = [(0, sector_size)]
    if container is not None:
        inner: list[Claim] = []
        number = FIRST_LOGICAL
        for link, logical in _chain(reader, sector_size, container):
            inner.append(link)
            structures.append((link.start * sector_size, (link.start + 1) * sector_size))
            if logical is None:
                warnings.append(f"the extended boot record at sector {link.start} holds no partition")
                continue
            claim = _claim(logical, link.start, f"MBR partition {number}", container)
            inner.append(claim)
            add(number, claim, logical)
            number += 1
        reject_overlap(inner)

    if not partitions:
        warnings.append("the partition table has no partitions")
    return PartitionTable(
        scheme="mbr",
        identity=f"{signature:08x}",
        sector_size=sector_size,
        partitions=tuple(partitions),
        structures=Ranges(structures),
        warnings=tuple(warnings),
    )


def _claim(entry: Entry, base: int, owner: str, within: Claim) -> Claim:
    if entry.flag not in FLAGS:
        raise Malformed(owner, entry.told_at, "a boot flag of 00 or 80", f"{entry.flag:02x}")
    if entry.type == PROTECTIVE:
        raise Malformed(owner, entry.told_at, "no GPT protective entry among partitions", "type ee")
    start = base + entry.start
    end = start + entry.sectors
    if end > within.end:
        raise Malformed(
            owner,
            entry.told_at,
            f"a place in sectors {within.start} to {within.end} ({within.owner})",
            f"sectors {start} to {end}",
        )
    return Claim(start, end, owner, entry.told_at)


def _chain(reader: ReadAt, sector_size: int, container: Claim) -> Iterator[tuple[Claim, Entry | None]]:
    """Each extended boot record in the order of the chain, and the entry of its logical partition if it has one."""
    lba: int | None = container.start
    told_at = container.told_at
    seen: set[int] = set()
    while lba is not None:
        where = f"extended boot record at sector {lba}"
        if lba in seen:
            raise Malformed(where, told_at, "a chain that ends", "a loop")
        if not container.start <= lba < container.end:
            raise Malformed(where, told_at, f"a link into sectors {container.start} to {container.end}", f"{lba}")
        if len(seen) > _MAX_NUMBER - FIRST_LOGICAL:
            raise Malformed(where, told_at, f"at most {_MAX_NUMBER - FIRST_LOGICAL + 1} links", "a longer chain")
        seen.add(lba)
        at = lba * sector_size
        record = reader.read_at(at, RECORD)
        if not has_magic(record):
            raise Malformed(where, at + 510, "55aa", record[510:].hex())
        used = [entry for entry in entries(record, at) if entry.used]
        links = [entry for entry in used if entry.extended]
        logicals = [entry for entry in used if not entry.extended]
        if len(links) > 1 or len(logicals) > 1:
            raise Malformed(
                where, at + _ENTRIES_AT, "one partition and one link at most", f"{len(logicals)} and {len(links)}"
            )
        yield Claim(lba, lba + 1, where, told_at), logicals[0] if logicals else None
        lba = None
        if links:
            lba = container.start + links[0].start
            told_at = links[0].told_at
