"""Where the journal of an ext3 or ext4 file system lies, and whether it is empty.

Sources: the kernel's documentation, filesystems/ext4 ("journal", "inodes", "ifork", "checksums"); ext3_extents.h from
libext2fs. The inode and its block map are little-endian, the journal's superblock is big-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_groups import Layout
from backupctl.formats.ext4_inodes import inode_checksums
from backupctl.formats.reader import ReadAt

_TYPE, _REGULAR = 0xF000, 0x8000  # of i_mode
_EXTENTS = 0x80000  # of i_flags
_MAP = slice(0x28, 0x64)  # i_block

_EXTENT_MAGIC = 0xF30A
_DEEPEST = 5  # EXT4_MAX_EXTENT_DEPTH in the kernel
_LONGEST = 1 << 15  # EXT_INIT_MAX_LEN; a larger length marks blocks that were never written

_JOURNAL_MAGIC = 0xC03B3998
_JOURNAL_SUPERBLOCK = struct.Struct(">9I")
_V1, _V2 = 3, 4
_CHECKSUM_V2, _CHECKSUM_V3 = 0x8, 0x10
_KNOWN = 0x7 | _CHECKSUM_V2 | _CHECKSUM_V3 | 0x20  # revoke, 64bit, async commit, ..., fast commit
_CRC32C_TYPE = 4


def journal_blocks(reader: ReadAt, layout: Layout, live: bool = False) -> tuple[int, Ranges]:
    """The block of the journal's own superblock, and all other blocks of the journal.

    The latter include the fast-commit area, which is the journal's end. Raises Malformed if the journal's inode or
    superblock makes no sense, fails a checksum, or (unless `live`) says that the journal is not empty; OSError from
    the reader.
    """
    superblock = layout.superblock
    runs = _runs(reader, layout)
    first = runs[0][0]
    if not live:
        _check_empty(
            reader, first * superblock.block_size, superblock.block_size, sum(end - start for start, end in runs)
        )
    return first, Ranges(runs) - Ranges([(first, first + 1)])


def _check_empty(reader: ReadAt, offset: int, block_size: int, blocks: int) -> None:
    """Raises Malformed unless the jbd2 superblock at byte `offset` describes an empty journal of up to `blocks`."""
    raw = reader.read_at(offset, 1024)
    magic, kind, _, size, length, first, _, start, error = _JOURNAL_SUPERBLOCK.unpack_from(raw)

    def require(holds: bool, at: int, expected: str, found: str) -> None:
        if not holds:
            raise Malformed("jbd2 superblock", offset + at, expected, found)

    require(magic == _JOURNAL_MAGIC, 0x0, f"magic {_JOURNAL_MAGIC:#010x}", f"{magic:#010x}")
    require(kind in (_V1, _V2), 0x4, "a superblock, type 3 or 4", f"type {kind}")
    if kind == _V2:
        features = int.from_bytes(raw[0x28:0x2C])
        require(not features & ~_KNOWN, 0x28, "known features", f"unknown bits {features & ~_KNOWN:#x}")
        if features & (_CHECKSUM_V2 | _CHECKSUM_V3):
            require(raw[0x50] == _CRC32C_TYPE, 0x50, "checksums of type 4 (crc32c)", f"type {raw[0x50]}")
            stored, right = int.from_bytes(raw[0xFC:0x100]), crc32c(raw[:0xFC] + bytes(4) + raw[0x100:])
            require(stored == right, 0xFC, f"checksum {right:#010x}", f"{stored:#010x}")
    require(size == block_size, 0xC, f"blocks of {block_size} bytes", f"{size}")
    require(1 < length <= blocks, 0x10, f"a length of 2 to {blocks} blocks, as its inode has", f"{length}")
    require(1 <= first < length, 0x14, f"a first log block from 1 to {length - 1}", f"{first}")
    require(start == 0, 0x1C, "an empty journal, as the file system needs no recovery", f"a log from block {start}")
    require(error == 0, 0x20, "a journal that was not aborted", f"error {error}")


def _runs(reader: ReadAt, layout: Layout) -> list[tuple[int, int]]:
    """Ranges of blocks that hold the journal, in the order of its content."""
    superblock = layout.superblock
    number, size = superblock.journal_inode, superblock.block_size
    if not 0 < number <= superblock.inodes:
        raise Malformed("ext4 superblock", ext4.SUPERBLOCK_OFFSET + 0xE0, "a journal inode that exists", f"{number}")
    group, index = divmod(number - 1, superblock.inodes_per_group)
    offset = layout.groups[group].inode_table * size + index * superblock.inode_size
    raw = reader.read_at(offset, superblock.inode_size)

    def broken(expected: str, found: str) -> Malformed:
        return Malformed(f"ext4 journal inode {number}", offset, expected, found)

    mode, links = struct.unpack_from("<H24xH", raw)
    if mode & _TYPE != _REGULAR or links == 0:
        raise broken("a regular file that is linked", f"mode {mode:#o}, {links} links")
    blocks, rest = divmod(_u32(raw, 0x04) | _u32(raw, 0x6C) << 32, size)
    if rest or not 1 < blocks <= superblock.blocks:
        raise broken(f"2 to {superblock.blocks} whole blocks", f"{blocks} blocks and {rest} bytes")
    seed = crc32c(number.to_bytes(4, "little") + raw[0x64:0x68], superblock.seed)
    if superblock.ro_compat & ext4.METADATA_CSUM:
        stored, right = inode_checksums(raw, seed)
        if stored != right:
            raise broken(f"checksum {right:#x}", f"{stored:#x}")

    tree = _BlockMap(reader, superblock, seed)
    by_extents = _u32(raw, 0x20) & _EXTENTS
    pieces = tree.extents(raw[_MAP], offset) if by_extents else tree.indirect(raw[_MAP], blocks)
    runs: list[tuple[int, int]] = []
    reached = 0
    for logical, start, length in pieces:
        if logical != reached or length == 0 or not 0 < start <= superblock.blocks - length:
            raise broken(
                f"its block {reached} to be next, within the file system",
                f"{length} from its block {logical} at block {start}",
            )
        reached += length
        if runs and runs[-1][1] == start:
            runs[-1] = (runs[-1][0], start + length)
        else:
            runs.append((start, start + length))
    if reached != blocks:
        raise broken(f"{blocks} blocks, as its size says", f"{reached}")
    places = Ranges([*runs, *((node, node + 1) for node in tree.nodes)])
    if places.total != blocks + len(tree.nodes):
        raise broken("each of its blocks once", "some blocks twice")
    return runs


@dataclass
class _BlockMap:
    """How a file's blocks are found from its inode. Pieces are (first block in the file, place, how many)."""

    reader: ReadAt
    superblock: ext4.Superblock
    seed: int  # of the checksums of this inode's extent blocks
    nodes: list[int] = field(default_factory=list)  # the blocks that the map itself takes up

    def _read(self, block: int) -> bytes:
        self.nodes.append(block)
        return self.reader.read_at(block * self.superblock.block_size, self.superblock.block_size)

    def extents(self, node: bytes, offset: int, depth: int | None = None) -> Iterator[tuple[int, int, int]]:
        """The extents below a node that lies at byte `offset` and has to be of that depth (the root: of any).

        Every node gives at least one extent or an error, and the caller stops at the first one that is not next in
        the file: so a tree that refers to a node twice ends there.
        """
        magic, entries, most, found = struct.unpack_from("<4H", node)
        capacity = len(node) // 12 - 1
        if magic != _EXTENT_MAGIC or not 0 < entries <= most <= capacity:
            raise Malformed(
                "ext4 extent node",
                offset,
                f"magic {_EXTENT_MAGIC:#x} and 1 to {capacity} entries",
                f"magic {magic:#x} and {entries} of {most} entries",
            )
        if found > _DEEPEST or depth not in (None, found):
            raise Malformed(
                "ext4 extent node", offset, f"a depth of {_DEEPEST if depth is None else depth}", f"{found}"
            )
        tail = 12 * (most + 1)
        if depth is not None and self.superblock.ro_compat & ext4.METADATA_CSUM:
            stored, right = _u32(node, tail), crc32c(node[:tail], self.seed)
            if stored != right:
                raise Malformed("ext4 extent node", offset, f"checksum {right:#010x}", f"{stored:#010x}")
        for at in range(12, 12 * (entries + 1), 12):
            if found == 0:
                logical, length, high, low = struct.unpack_from("<IHHI", node, at)
                if length > _LONGEST:
                    raise Malformed("ext4 extent", offset + at, "written blocks", "preallocated ones")
                yield logical, low | high << 32, length
            else:
                _, low, high = struct.unpack_from("<IIH", node, at)
                below = low | high << 32
                yield from self.extents(self._read(below), below * self.superblock.block_size, found - 1)

    def indirect(self, root: bytes, blocks: int) -> Iterator[tuple[int, int, int]]:
        """The first `blocks` blocks by ext2's map: twelve direct pointers, then one for each level of indirection."""
        pointers = struct.unpack("<15I", root)
        reached = 0
        for level, pointer in zip((0,) * 12 + (1, 2, 3), pointers, strict=True):
            for block in self._leaves(pointer, level):
                if reached == blocks:
                    return
                yield reached, block, 1
                reached += 1

    def _leaves(self, pointer: int, level: int) -> Iterator[int]:
        if level == 0 or pointer == 0:  # a hole, which the caller refuses
            yield pointer
            return
        for (below,) in struct.iter_unpack("<I", self._read(pointer)):
            if level == 1:
                yield below
            else:
                yield from self._leaves(below, level - 1)


def _u32(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 4], "little")
