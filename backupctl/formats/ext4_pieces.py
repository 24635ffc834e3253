"""Where the bytes of a file stand on ext2, ext3 and ext4: by extents, or by the older map of block numbers.

Sources as in `ext4_inodes`, of the kernel's documentation "ifork".
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from backupctl.domain.errors import Malformed
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_inodes import EXTENTS, Inode
from backupctl.formats.file_tree import Piece
from backupctl.formats.reader import ReadAt

_MAGIC = 0xF30A
_DEEPEST = 5  # EXT4_MAX_EXTENT_DEPTH in the kernel
_WRITTEN_MOST = 1 << 15  # EXT_INIT_MAX_LEN: a larger length, less this, counts blocks that were never written
_LOGICAL_END = 1 << 32
_TOP_LEVEL = (0,) * 12 + (1, 2, 3)  # of the fifteen numbers in an inode, how many levels of blocks stand below


class FileMap:
    """Finds the blocks of files that are not inline."""

    def __init__(self, reader: ReadAt, superblock: ext4.Superblock) -> None:
        self._reader = reader
        self._superblock = superblock

    def pieces(self, inode: Inode, start: int, end: int) -> Iterator[Piece]:
        """See `FileTree.pieces`; `end` is at most the file's size. Raises Malformed, OSError."""
        size = self._superblock.block_size
        first, after = start // size, -(-end // size)
        if inode.flags & EXTENTS:
            node = _ExtentNode(inode.map, inode.place + 0x28, 0, _LOGICAL_END)
            runs = self._extents(inode, node, None, first, after)
        else:
            runs = self._by_numbers(inode, first, after)
        waiting: Piece | None = None
        total = 0
        for logical, block, count in runs:
            total += count
            if total > self._superblock.blocks:  # a small file system could hold a file that fills every disk
                raise inode.broken(f"at most {self._superblock.blocks} blocks, as there are no more", "more")
            if not self._superblock.first_block <= block <= self._superblock.blocks - count:
                raise inode.broken(
                    f"its block {logical} within blocks {self._superblock.first_block} to {self._superblock.blocks}",
                    f"{count} blocks from {block}",
                )
            low, high = max(logical * size, start), min((logical + count) * size, end)
            if low >= high:
                continue
            piece = Piece(low, block * size + low - logical * size, high - low)
            if waiting and (waiting.offset + waiting.length, waiting.place + waiting.length) == piece[:2]:
                waiting = waiting._replace(length=waiting.length + piece.length)
                continue
            if waiting:
                yield waiting
            waiting = piece
        if waiting:
            yield waiting

    def _read_block(self, inode: Inode, block: int) -> bytes:
        if not self._superblock.first_block <= block < self._superblock.blocks:
            raise inode.broken(f"its map within {self._superblock.blocks} blocks", f"block {block}")
        return self._reader.read_at(block * self._superblock.block_size, self._superblock.block_size)

    def _extents(
        self, inode: Inode, node: _ExtentNode, depth: int | None, first: int, after: int
    ) -> Iterator[tuple[int, int, int]]:
        """First block in the file, place and count of written extents in `[first, after)`, in order.

        Every node has to lie within what its parent says of it, so none is gone through twice.
        """
        found = node.check(depth)
        if depth is not None and self._superblock.ro_compat & ext4.METADATA_CSUM:
            node.check_sum(inode.seed)
        reached = node.low
        for number in range(node.entries):
            at = 12 * (number + 1)
            if found == 0:
                logical, length, high, low = struct.unpack_from("<IHHI", node.raw, at)
                count = length if length <= _WRITTEN_MOST else length - _WRITTEN_MOST
                node.check_order(at, logical, count, reached)
                reached = logical + count
                if logical < after and reached > first and length <= _WRITTEN_MOST:
                    yield logical, low | high << 32, count
                continue
            logical, low, high = struct.unpack_from("<IIH", node.raw, at)
            behind = _u32(node.raw, at + 12) if number + 1 < node.entries else node.high
            node.check_order(at, logical, behind - logical, reached)
            reached = behind
            if logical < after and behind > first:
                block = low | high << 32
                raw = self._read_block(inode, block)
                below = _ExtentNode(raw, block * self._superblock.block_size, logical, behind)
                yield from self._extents(inode, below, found - 1, first, after)

    def _by_numbers(self, inode: Inode, first: int, after: int) -> Iterator[tuple[int, int, int]]:
        """The same by ext2's map: twelve blocks, then blocks of numbers, one, two and three levels of them."""
        fan = self._superblock.block_size // 4
        seen: set[int] = set()

        def below(number: int, level: int, reached: int) -> Iterator[tuple[int, int, int]]:
            if not number or reached >= after or reached + fan**level <= first:
                return
            if level == 0:
                yield reached, number, 1
                return
            if number in seen:
                raise inode.broken("each block of its map once", f"block {number} twice")
            seen.add(number)
            numbers = struct.unpack(f"<{fan}I", self._read_block(inode, number))
            step = fan ** (level - 1)
            # Only what is asked for, since a size may be a lie.
            for index in range(max(0, (first - reached) // step), min(fan, -(-(after - reached) // step))):
                if numbers[index]:
                    yield from below(numbers[index], level - 1, reached + index * step)

        reached = 0
        for level, number in zip(_TOP_LEVEL, struct.unpack("<15I", inode.map), strict=True):
            yield from below(number, level, reached)
            reached += fan**level


class _ExtentNode:
    """A node of an extent tree at byte `place`, which is for the blocks `[low, high)` of its file."""

    def __init__(self, raw: bytes, place: int, low: int, high: int) -> None:
        self.raw, self.place, self.low, self.high = raw, place, low, high
        self.magic, self.entries, self.most, self.depth = (
            int.from_bytes(raw[at : at + 2], "little") for at in range(0, 8, 2)
        )

    def check(self, depth: int | None) -> int:
        """The node's depth, which has to be `depth` (the root's: any)."""
        capacity = len(self.raw) // 12 - 1
        if self.magic != _MAGIC or not self.entries <= self.most <= capacity:
            raise self._broken(
                f"magic {_MAGIC:#x} and at most {capacity} entries",
                f"magic {self.magic:#x} and {self.entries} of {self.most} entries",
            )
        if self.depth > _DEEPEST or depth not in (None, self.depth):
            raise self._broken(f"a depth of {_DEEPEST if depth is None else depth}", f"{self.depth}")
        if self.depth and not self.entries:
            raise self._broken("entries, as it is no leaf", "none")
        return self.depth

    def check_sum(self, seed: int) -> None:
        tail = 12 * (self.most + 1)
        if tail + 4 > len(self.raw):
            raise self._broken("room for a checksum", f"{self.most} entries")
        stored, right = _u32(self.raw, tail), crc32c(self.raw[:tail], seed)
        if stored != right:
            raise self._broken(f"checksum {right:#010x}", f"{stored:#010x}")

    def check_order(self, at: int, logical: int, count: int, reached: int) -> None:
        if logical < reached or count <= 0 or logical + count > self.high:
            raise self._broken(f"blocks {reached} to {self.high} of the file in order", f"{count} from {logical}", at)

    def _broken(self, expected: str, found: str, at: int = 0) -> Malformed:
        return Malformed("ext4 extent node", self.place + at, expected, found)


def _u32(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 4], "little")
