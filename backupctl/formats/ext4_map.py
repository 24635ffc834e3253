"""Which bytes of an ext2, ext3 or ext4 file system are free, and which must be zero in a copy.

Sources as in `ext4`. A map is either right or not made: whatever contradicts itself leaves the volume data whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4 import Superblock
from backupctl.formats.ext4_groups import Layout, read_layout
from backupctl.formats.ext4_journal import journal_blocks
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import ReadAt

# How much is read at once where bitmaps lie side by side, as flex_bg puts them.
_MOST_AT_ONCE = 1 << 20


def read_volume(reader: ReadAt, live: bool = False, memory: MapMemory | None = None) -> VolumeMap | None:
    """The map of the ext2, ext3 or ext4 file system that starts at byte 0; None if there is none.

    Free are the clusters that a checked bitmap calls free. Zero is the body of the journal. What lies before the first
    block that a bitmap speaks of, and after the file system's end, is data. A file system that is not clean, has
    features unknown here, or contradicts itself is data whole, with a warning. Raises OSError from the reader only.

    With `live`, the file system is mounted and at work: its bitmaps on the device are torn and older than its journal
    (of 40 read under writers, all failed their checksum), and the map is a hint of what to read first, no more.
    `memory`: of maps of the same file system that were made before.
    """
    memory = memory or MapMemory()
    end = ext4.SUPERBLOCK_OFFSET + ext4.SUPERBLOCK_LENGTH
    if reader.size < end:
        return None
    superblock = ext4.parse_superblock(reader.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH))
    if superblock is None:
        return None
    try:
        superblock.check(reader.size, live)
        layout = read_layout(reader, superblock, memory)
        free = _free(reader, layout, live, memory)
        zero = _zero(reader, layout, free, live)
    except Malformed as problem:
        warning = f"the {superblock.kind} file system cannot be mapped, so its free space is read too: {problem.cause}"
        return VolumeMap(superblock.kind, superblock.label, superblock.identity, warnings=(warning,))
    cluster_size = superblock.block_size * superblock.cluster_blocks
    return VolumeMap(superblock.kind, superblock.label, superblock.identity, cluster_size, free, zero)


def _free(reader: ReadAt, layout: Layout, live: bool, memory: MapMemory) -> Ranges:
    """Bytes of the clusters that are free."""
    size = layout.superblock.block_size
    bitmaps = _bitmaps(reader, layout)

    def ranges() -> Iterator[Ranges]:
        for number, group in enumerate(layout.groups):
            if group.uninitialised:
                found = _unused(layout, number)
            else:
                found = _clear(next(bitmaps), layout, number, live, memory)
            if found.clusters != group.free_clusters and not live:
                raise Malformed(
                    f"ext4 block bitmap of group {number}",
                    group.block_bitmap * size,
                    f"{group.free_clusters} free clusters, as its descriptor counts them",
                    f"{found.clusters}",
                )
            yield found.places

    free = Ranges.joined(ranges())
    for start, end in layout.structures:
        if free.touches(start * size, end * size):
            raise Malformed(
                "ext4 block bitmaps",
                start * size,
                f"the file system's own blocks {start} to {end} in use",
                "some of them free",
            )
    return free


class _Free(NamedTuple):
    """What is free of a group: how many clusters, and which bytes of the file system."""

    clusters: int
    places: Ranges


def _free_of_group(superblock: Superblock, number: int, clusters: list[tuple[int, int]]) -> _Free:
    size, ratio = superblock.block_size, superblock.cluster_blocks
    first, last = superblock.group_blocks(number)
    places = Ranges.ascending(
        ((first + start * ratio) * size, min(first + end * ratio, last) * size) for start, end in clusters
    )
    return _Free(sum(end - start for start, end in clusters), places)


def _clear(bitmap: bytes, layout: Layout, number: int, live: bool, memory: MapMemory) -> _Free:
    """What a group's block bitmap calls free. Raises Malformed if its checksum is wrong, unless `live`."""
    superblock, group = layout.superblock, layout.groups[number]
    if superblock.ro_compat & ext4.METADATA_CSUM:
        # The high half of the checksum has a place in long descriptors only.
        mask = 0xFFFFFFFF if superblock.descriptor_size >= 64 else 0xFFFF
        seed = superblock.seed
        # Of a torn one as well: most of those that a hint is made of are sound by then, and the same in the end.
        right = memory.recall(("checksum", seed), bitmap, lambda: crc32c(bitmap, seed)) & mask
        stored = group.bitmap_checksum & mask
        if right != stored and not live:
            raise Malformed(
                f"ext4 block bitmap of group {number}",
                group.block_bitmap * superblock.block_size,
                f"checksum {stored:#x}, as its descriptor says",
                f"{right:#x}",
            )

    def free() -> _Free:
        return _free_of_group(superblock, number, _clear_bits(bitmap, superblock.group_clusters(number)))

    return memory.recall(("free", superblock.geometry, number), bitmap, free)


def _bitmaps(reader: ReadAt, layout: Layout) -> Iterator[bytes]:
    """The block bitmaps of the groups that have one, in order; neighbours are read together."""
    size, length = layout.superblock.block_size, layout.superblock.clusters_per_group // 8
    for numbers in _neighbours(layout):
        raw = reader.read_at(layout.groups[numbers[0]].block_bitmap * size, len(numbers) * size)
        for i in range(len(numbers)):
            yield raw[i * size : i * size + length]


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


def _unused(layout: Layout, number: int) -> _Free:
    """What of a group holds none of the file system's structures.

    That is what is free in a group whose bitmap was never written ("Lazy Block Group Initialization" in the kernel's
    documentation). With flex_bg the structures may be those of another group.
    """
    superblock = layout.superblock
    first, last = superblock.group_blocks(number)
    ratio = superblock.cluster_blocks
    used = (
        ((start - first) // ratio, -((first - end) // ratio)) for start, end in layout.structures.within(first, last)
    )
    unused = Ranges.ascending(used).inverted(0, superblock.group_clusters(number))
    return _free_of_group(superblock, number, list(unused))


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
