"""Which bytes of an ext2, ext3 or ext4 file system are free, and which must be zero in a copy.

Sources as in `ext4`. A map is either right or not made: whatever contradicts itself leaves the volume data whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_groups import Layout, read_layout
from backupctl.formats.ext4_journal import journal_blocks
from backupctl.formats.reader import ReadAt

# How much is read at once where bitmaps lie side by side, as flex_bg puts them.
_MOST_AT_ONCE = 1 << 20


def read_volume(reader: ReadAt, live: bool = False) -> VolumeMap | None:
    """The map of the ext2, ext3 or ext4 file system that starts at byte 0; None if there is none.

    Free are the clusters that a checked bitmap calls free. Zero is the body of the journal. What lies before the first
    block that a bitmap speaks of, and after the file system's end, is data. A file system that is not clean, has
    features unknown here, or contradicts itself is data whole, with a warning. Raises OSError from the reader only.

    With `live`, the file system is mounted and at work: its bitmaps on the device are torn and older than its journal
    (of 40 read under writers, all failed their checksum), and the map is a hint of what to read first, no more.
    """
    end = ext4.SUPERBLOCK_OFFSET + ext4.SUPERBLOCK_LENGTH
    if reader.size < end:
        return None
    superblock = ext4.parse_superblock(reader.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH))
    if superblock is None:
        return None
    try:
        superblock.check(reader.size, live)
        layout = read_layout(reader, superblock)
        free = _free(reader, layout, live)
        zero = _zero(reader, layout, free, live)
    except Malformed as problem:
        warning = f"the {superblock.kind} file system cannot be mapped, so its free space is read too: {problem.cause}"
        return VolumeMap(superblock.kind, superblock.label, superblock.identity, warnings=(warning,))
    cluster_size = superblock.block_size * superblock.cluster_blocks
    return VolumeMap(superblock.kind, superblock.label, superblock.identity, cluster_size, free, zero)


def _free(reader: ReadAt, layout: Layout, live: bool) -> Ranges:
    """Bytes of the clusters that are free."""
    superblock = layout.superblock
    size, ratio = superblock.block_size, superblock.cluster_blocks
    bitmaps = _bitmaps(reader, layout, live)

    def ranges() -> Iterator[tuple[int, int]]:
        for number, group in enumerate(layout.groups):
            if group.uninitialised:
                clusters = _unused_clusters(layout, number)
            else:
                clusters = _clear_bits(next(bitmaps), superblock.group_clusters(number))
            found = sum(end - start for start, end in clusters)
            if found != group.free_clusters and not live:
                raise Malformed(
                    f"ext4 block bitmap of group {number}",
                    group.block_bitmap * size,
                    f"{group.free_clusters} free clusters, as its descriptor counts them",
                    f"{found}",
                )
            first, last = superblock.group_blocks(number)
            for start, end in clusters:
                yield (first + start * ratio) * size, min(first + end * ratio, last) * size

    free = Ranges.ascending(ranges())
    for start, end in layout.structures:
        if free.touches(start * size, end * size):
            raise Malformed(
                "ext4 block bitmaps",
                start * size,
                f"the file system's own blocks {start} to {end} in use",
                "some of them free",
            )
    return free


def _bitmaps(reader: ReadAt, layout: Layout, live: bool) -> Iterator[bytes]:
    """The block bitmaps of the groups that have one, checked unless `live`, in order; neighbours are read together."""
    superblock = layout.superblock
    size, length = superblock.block_size, superblock.clusters_per_group // 8
    seed = superblock.seed
    # The high half of the checksum has a place in long descriptors only.
    mask = 0xFFFFFFFF if superblock.descriptor_size >= 64 else 0xFFFF
    for numbers in _neighbours(layout):
        first = layout.groups[numbers[0]].block_bitmap
        raw = reader.read_at(first * size, len(numbers) * size)
        for i, number in enumerate(numbers):
            bitmap = raw[i * size : i * size + length]
            if superblock.ro_compat & ext4.METADATA_CSUM and not live:
                right, stored = crc32c(bitmap, seed) & mask, layout.groups[number].bitmap_checksum & mask
                if right != stored:
                    raise Malformed(
                        f"ext4 block bitmap of group {number}",
                        (first + i) * size,
                        f"checksum {stored:#x}, as its descriptor says",
                        f"{right:#x}",
                    )
            yield bitmap


def _neighbours(layout: Layout) -> Iterator[range]:
    """Runs of groups whose bitmaps are to be read and lie side by side."""
    most = _MOST_AT_ONCE // layout.superblock.block_size
    start = 0
    for number, group in enumerate(layout.groups):
        run = number - start
        follows = run < most and group.block_bitmap == layout.groups[start].block_bitmap + run
        if group.uninitialised or not follows:
            if run:
                yield range(start, number)
            start = number + group.uninitialised
    if start < len(layout.groups):
        yield range(start, len(layout.groups))


def _clear_bits(bitmap: bytes, count: int) -> list[tuple[int, int]]:
    """Runs of clear bits among the first `count`; the lowest bit of a byte comes first."""
    bits = int.from_bytes(bitmap, "little") & ((1 << count) - 1)
    used = bits.bit_count()
    if used == count:
        return []
    if used == 0:
        return [(0, count)]
    return [match.span() for match in re.finditer("0+", f"{bits:0{count}b}"[::-1])]


def _unused_clusters(layout: Layout, number: int) -> list[tuple[int, int]]:
    """Runs of clusters of a group that hold none of the file system's structures, counted from the group's start.

    That is what is free in a group whose bitmap was never written ("Lazy Block Group Initialization" in the kernel's
    documentation). With flex_bg the structures may be those of another group.
    """
    superblock = layout.superblock
    first, last = superblock.group_blocks(number)
    ratio = superblock.cluster_blocks
    used = (
        ((start - first) // ratio, -((first - end) // ratio)) for start, end in layout.structures.within(first, last)
    )
    return list(Ranges.ascending(used).inverted(0, superblock.group_clusters(number)))


def _zero(reader: ReadAt, layout: Layout, free: Ranges, live: bool) -> Ranges:
    """Bytes of the journal's body, which must be zero in a copy, never left as they are.

    A clean journal's blocks are not needed, but what a target card holds in their place is: restored onto the card
    that it came from, with that card's old journal blocks left lying, a file system passes e2fsck -fn; then it writes
    a few transactions, loses power, and recovery walks on into transactions of the abandoned life whose sequence
    numbers and checksums fit. It replays them over the restored files.
    """
    superblock = layout.superblock
    if not superblock.compat & ext4.HAS_JOURNAL:
        return Ranges()
    size = superblock.block_size
    first, body = journal_blocks(reader, layout, live)
    blocks = body | Ranges([(first, first + 1)])
    for start, end in blocks:
        if free.touches(start * size, end * size) or layout.structures.touches(start, end):
            raise Malformed(
                "ext4 journal",
                start * size,
                f"blocks {start} to {end} to be the journal's alone",
                "some of them free, or in use for the file system's structures",
            )
    return Ranges.ascending((start * size, end * size) for start, end in body)
