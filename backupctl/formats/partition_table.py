"""Which partition table a card has, if any, and what it says."""

from __future__ import annotations

from dataclasses import replace

from backupctl.domain.errors import Malformed
from backupctl.domain.volume import Partition, PartitionTable
from backupctl.formats import gpt, mbr
from backupctl.formats.reader import ReadAt

SECTOR_SIZES = (512, 4096)


def read_partition_table(reader: ReadAt, sector_size: int | None = None) -> PartitionTable | None:
    """The card's partition table, or None if it has none: blank, or one file system on the bare card.

    `sector_size` is the device's logical one in bytes; None if it is not known (a card file), and then told from the
    table itself. All partitions of a result lie within the card and none overlap.

    Raises Malformed if there is a table that cannot be trusted (overlaps, places beyond the end, a looped chain, no
    sound GPT copy or two that disagree, a hybrid of MBR and GPT), OSError if the card cannot be read.
    """
    if reader.size < max(mbr.RECORD, sector_size or 0):
        return None
    record = reader.read_at(0, mbr.RECORD)
    if not mbr.has_magic(record):
        return None
    used = [entry for entry in mbr.entries(record) if entry.used]
    # A bare file system's boot code where the entries would be: text and instructions, which make no boot flags.
    # Some flags sound and some not is a damaged table, and then an old file system below it must not be believed.
    if mbr.is_volume_boot_record(record) and all(entry.flag not in mbr.FLAGS for entry in used):
        return None
    # An MBR with partitions of its own wins over a GPT that an earlier life left behind (UEFI, section 5.3.2).
    if all(entry.type != mbr.PROTECTIVE for entry in used):
        return _read_mbr(reader, sector_size, record)
    if len(used) > 1:
        raise Malformed("MBR", used[0].told_at, "a GPT's protective entry alone", "other entries beside it (hybrid)")
    if used[0].start != gpt.PRIMARY_LBA or used[0].flag not in mbr.FLAGS:
        raise Malformed("MBR", used[0].told_at, "a protective entry from sector 1", f"one from {used[0].start}")
    return _read_gpt(reader, sector_size)


def _read_gpt(reader: ReadAt, sector_size: int | None) -> PartitionTable:
    if sector_size is not None:
        return gpt.read_gpt(reader, sector_size)
    tables = []
    errors = []
    for size in SECTOR_SIZES:
        if gpt.has_magic(reader, size):
            try:
                tables.append(gpt.read_gpt(reader, size))
            except Malformed as error:
                errors.append(error)
    if len(tables) == 1:
        return tables[0]
    if not tables and errors:
        raise errors[0]
    found = "two, for 512 and for 4096 byte sectors" if tables else "none"
    raise Malformed("GPT", SECTOR_SIZES[0], "one table behind the protective MBR", found)


def _read_mbr(reader: ReadAt, sector_size: int | None, record: bytes) -> PartitionTable:
    """An MBR does not tell its sector size. 512 is taken unless what the entries point to speaks for 4096."""
    if sector_size is not None:
        return mbr.read_mbr(reader, sector_size, record)
    small_error: Malformed | None = None
    try:
        small = mbr.read_mbr(reader, 512, record)
    except Malformed as error:
        small_error = error
    else:
        if not small.partitions or any(_holds_volume(reader, p, 512) for p in small.partitions):
            return small
    try:
        large = mbr.read_mbr(reader, 4096, record)
        # Larger sectors only move places up: what was wrong in small ones and is right now is the chain, found now.
        if small_error or any(_holds_volume(reader, p, 4096) for p in large.partitions):
            return replace(large, warnings=(*large.warnings, "taken for a card with 4096 byte sectors by its contents"))
    except Malformed:
        pass  # what the other reading says counts
    if small_error:
        raise small_error
    return small


def _holds_volume(reader: ReadAt, partition: Partition, sector_size: int) -> bool:
    """Whether a FAT or ext file system that a device of this sector size can carry starts the partition."""
    head = reader.read_at(partition.start, min(2048, partition.end - partition.start))
    if head[1080:1082] == b"\x53\xef":
        block_size = 1024 << min(int.from_bytes(head[1048:1052], "little"), 16)
        return block_size >= sector_size
    return (
        mbr.has_magic(head) and mbr.is_volume_boot_record(head) and int.from_bytes(head[11:13], "little") >= sector_size
    )
