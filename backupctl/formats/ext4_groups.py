"""The group descriptors of ext2, ext3 and ext4: where the bitmaps, inode tables and descriptors themselves lie.

Sources as in `ext4`, of the kernel's documentation also "group_descr".
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain
from typing import NamedTuple

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.formats.crc import crc16, crc32c
from backupctl.formats.ext4 import GDT_CSUM, META_BG, METADATA_CSUM, Superblock
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import ReadAt

_DESCRIPTOR = struct.Struct("<IIIHHHHIHHHH")
_DESCRIPTOR_HIGH = struct.Struct("<IIIHHHHIHHI")
_BLOCK_UNINIT = 0x2


class Group(NamedTuple):
    """What a group's descriptor says; places are block numbers."""

    block_bitmap: int
    inode_bitmap: int
    inode_table: int
    free_clusters: int
    bitmap_checksum: int
    uninitialised: bool  # BLOCK_UNINIT: the bitmap on disk means nothing, it follows from the layout


@dataclass(frozen=True)
class Layout:
    """Where a file system's own structures lie: all found within it, and overlapping nowhere."""

    superblock: Superblock
    groups: tuple[Group, ...]
    structures: Ranges  # blocks


def read_layout(reader: ReadAt, superblock: Superblock, memory: MapMemory) -> Layout:
    """The group descriptors that belong to a superblock that passed `check`.

    Raises Malformed for a descriptor whose checksum is wrong, or whose structures lie outside the file system or over
    another's; OSError from the reader.
    """
    groups = tuple(_groups(reader, superblock, memory))
    places = array("Q", chain.from_iterable(group[:3] for group in groups)).tobytes()
    structures = memory.recall(("structures", superblock.geometry), places, lambda: _structures(superblock, groups))
    return Layout(superblock, groups, structures)


def _structures(superblock: Superblock, groups: tuple[Group, ...]) -> Ranges:
    """The blocks of all that the file system needs for itself. Raises Malformed if some have two uses."""
    structures = [superblock.head_blocks(number) for number in range(superblock.groups)]
    for group in groups:
        structures.append((group.block_bitmap, group.block_bitmap + 1))
        structures.append((group.inode_bitmap, group.inode_bitmap + 1))
        structures.append((group.inode_table, group.inode_table + superblock.inode_table_blocks))
    union = Ranges(structures)
    claimed = sum(end - start for start, end in structures)
    if union.total != claimed:
        raise Malformed(
            "ext4 group descriptors",
            next(superblock.descriptor_blocks()) * superblock.block_size,
            f"{claimed} blocks of bitmaps, inode tables and superblock copies, each in a place of its own",
            f"only {union.total} different blocks",
        )
    return union


class GroupReader:
    """Reads one group's descriptor at a time; a superblock that passed `check`, or `check_readable`."""

    def __init__(self, reader: ReadAt, superblock: Superblock, copy: int = 0) -> None:
        """`copy`: of which group's copy of the descriptors; those of meta_bg are not in it."""
        self._reader = reader
        self._superblock = superblock
        self._checksum = _descriptor_checksum(superblock)
        self._blocks = tuple(superblock.descriptor_blocks())
        if copy and not superblock.incompat & META_BG:
            start = superblock.group_blocks(copy)[0] + 1
            self._blocks = tuple(range(start, start + len(self._blocks)))
        self._kept: dict[int, Group] = {}

    def read(self, number: int) -> Group:
        """Raises Malformed as `read_layout` does, but for overlaps."""
        found = self._kept.get(number)
        if found is None:
            index, at = divmod(number, self._superblock.descriptors_per_block)
            length = self._superblock.descriptor_size
            offset = self._blocks[index] * self._superblock.block_size + at * length
            descriptor = self._reader.read_at(offset, length)
            found = self._kept[number] = _checked_group(self._superblock, self._checksum, number, descriptor, offset)
        return found


def _groups(reader: ReadAt, superblock: Superblock, memory: MapMemory) -> Iterator[Group]:
    size, each = superblock.block_size, superblock.descriptors_per_block
    blocks = superblock.descriptor_blocks()
    for block, first in zip(blocks, range(0, superblock.groups, each), strict=True):
        raw = reader.read_at(block * size, size)
        question = "descriptors", superblock.geometry, superblock.seed, superblock.uuid, block
        numbers = range(first, min(first + each, superblock.groups))
        yield from memory.recall(question, raw, partial(_groups_in, raw, block * size, numbers, superblock))


def _groups_in(raw: bytes, start: int, numbers: range, superblock: Superblock) -> list[Group]:
    """Those whose descriptors are in the block at byte `start`."""
    length, checksum = superblock.descriptor_size, _descriptor_checksum(superblock)
    return [
        _checked_group(superblock, checksum, number, raw[at : at + length], start + at)
        for at, number in zip(range(0, len(raw), length), numbers, strict=False)
    ]


def _checked_group(
    superblock: Superblock, checksum: Callable[[int, bytes], int] | None, number: int, descriptor: bytes, offset: int
) -> Group:
    """The group that `descriptor` at byte `offset` describes. Raises Malformed."""
    group, stored = _parse_descriptor(descriptor)
    if checksum is None:
        group = group._replace(uninitialised=False)  # as the kernel: the flag counts only with a checksum
    elif stored != (right := checksum(number, descriptor)):
        raise Malformed(f"ext4 descriptor of group {number}", offset, f"checksum {right:#06x}", f"{stored:#06x}")
    for name, start, blocks in (
        ("block bitmap", group.block_bitmap, 1),
        ("inode bitmap", group.inode_bitmap, 1),
        ("inode table", group.inode_table, superblock.inode_table_blocks),
    ):
        if not superblock.first_block <= start <= superblock.blocks - blocks:
            raise Malformed(
                f"ext4 descriptor of group {number}",
                offset,
                f"its {name} within blocks {superblock.first_block} to {superblock.blocks}",
                f"block {start}",
            )
    return group


def _parse_descriptor(raw: bytes) -> tuple[Group, int]:
    """A descriptor and the checksum that it carries."""
    bitmap, inodes, table, free, _, _, flags, _, checked, _, _, checksum = _DESCRIPTOR.unpack_from(raw)
    if len(raw) >= 64:
        high = _DESCRIPTOR_HIGH.unpack_from(raw, 32)
        bitmap |= high[0] << 32
        inodes |= high[1] << 32
        table |= high[2] << 32
        free |= high[3] << 16
        checked |= high[8] << 16
    return Group(bitmap, inodes, table, free, checked, bool(flags & _BLOCK_UNINIT)), checksum


def _descriptor_checksum(superblock: Superblock) -> Callable[[int, bytes], int] | None:
    """How to compute the checksum of a group's descriptor; None where descriptors carry none.

    As ext4_group_desc_csum in the kernel's fs/ext4/super.c.
    """
    field, after = 0x1E, 0x20
    if superblock.ro_compat & METADATA_CSUM:
        seed = superblock.seed

        def with_crc32c(number: int, raw: bytes) -> int:
            return crc32c(number.to_bytes(4, "little") + raw[:field] + b"\0\0" + raw[after:], seed) & 0xFFFF

        return with_crc32c
    if superblock.ro_compat & GDT_CSUM:
        start = crc16(superblock.uuid)

        def with_crc16(number: int, raw: bytes) -> int:
            return crc16(number.to_bytes(4, "little") + raw[:field] + raw[after:], start)

        return with_crc16
    return None
