"""Inodes of ext2, ext3 and ext4.

Sources: the kernel's documentation, filesystems/ext4 ("inodes", "checksums"), and of the kernel's own source what is
named beside the line. Numbers are little-endian.
"""

from __future__ import annotations

import struct
from collections import OrderedDict
from dataclasses import dataclass

from backupctl.domain.errors import Malformed
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_groups import GroupReader
from backupctl.formats.file_tree import Kind, Node
from backupctl.formats.reader import ReadAt

ROOT = 2
EXTENTS, ENCRYPTED, INDEXED = 0x80000, 0x800, 0x1000  # of i_flags
ATTRIBUTE_VALUE, INLINE = 0x200000, 0x10000000

_KINDS: dict[int, Kind] = {
    0x1000: "fifo",
    0x2000: "character device",
    0x4000: "folder",
    0x6000: "block device",
    0x8000: "file",
    0xA000: "link",
    0xC000: "socket",
}
_LARGE_DIR = 0x4000  # incompat
_EA_INODE = 0x400
_HUGE_FILE = 0x8  # ro_compat
_HUGE_FLAG = 0x40000
_MAP = slice(0x28, 0x64)  # i_block
_KEPT = 4096  # inodes in memory


@dataclass(frozen=True, slots=True)
class Inode:
    """One inode, with what `Node` has no room for."""

    node: Node
    flags: int
    map: bytes  # i_block: 60 bytes
    raw: bytes
    place: int  # byte of the volume
    seed: int  # of the checksums of blocks that belong to it
    attribute_block: int  # 0 if it has none
    extra: int  # bytes behind the first 128 that have fields

    @property
    def number(self) -> int:
        return self.node.number

    def broken(self, expected: str, found: str) -> Malformed:
        return Malformed(f"ext4 inode {self.number}", self.place, expected, found)

    def is_inline_link(self, superblock: ext4.Superblock) -> bool:
        """Whether a symbolic link's target stands in i_block: ext4_inode_is_fast_symlink in fs/ext4/inode.c."""
        if self.node.kind != "link" or self.flags & INLINE or not self.node.size < 60:
            return False
        if superblock.incompat & _EA_INODE:
            return self.node.size > 0
        sectors = _u32(self.raw, 0x1C) | _u16(self.raw, 0x74) << 32
        if superblock.ro_compat & _HUGE_FILE and self.flags & _HUGE_FLAG:
            sectors *= superblock.block_size // 512
        own = superblock.block_size * superblock.cluster_blocks // 512 if self.attribute_block else 0
        return sectors == own


class InodeReader:
    """Reads inodes by number. Keeps some thousands."""

    def __init__(self, reader: ReadAt, superblock: ext4.Superblock, copy: int = 0) -> None:
        """`copy`: see `GroupReader`."""
        self._reader = reader
        self._superblock = superblock
        self._groups = GroupReader(reader, superblock, copy)
        self._kept: OrderedDict[int, Inode] = OrderedDict()

    def read(self, number: int) -> Inode:
        """Raises Malformed for a number that there is not, or an inode that fails its checksum or is not in use."""
        found = self._kept.get(number)
        if found is None:
            found = self._kept[number] = self._read(number)
            while len(self._kept) > _KEPT:
                try:
                    self._kept.popitem(last=False)
                except KeyError:  # another thread was there first
                    break
        return found

    def _read(self, number: int) -> Inode:
        superblock = self._superblock
        if not 0 < number <= superblock.inodes:
            raise Malformed("ext4 inodes", 0, f"a number from 1 to {superblock.inodes}", f"{number}")
        group, index = divmod(number - 1, superblock.inodes_per_group)
        place = self._groups.read(group).inode_table * superblock.block_size + index * superblock.inode_size
        raw = self._reader.read_at(place, superblock.inode_size)
        seed = crc32c(number.to_bytes(4, "little") + raw[0x64:0x68], superblock.seed)
        extra = _u16(raw, 0x80) if len(raw) > 128 else 0
        if extra > len(raw) - 128 or extra % 4:
            raise Malformed(f"ext4 inode {number}", place + 0x80, f"at most {len(raw) - 128} more bytes", f"{extra}")
        if superblock.ro_compat & ext4.METADATA_CSUM:
            stored, right = inode_checksums(raw, seed)
            if stored != right:
                raise Malformed(f"ext4 inode {number}", place, f"checksum {right:#x}", f"{stored:#x}")
        node = self._node(number, raw, place, extra)
        block = _u32(raw, 0x68) | (_u16(raw, 0x76) << 32 if superblock.incompat & ext4.WIDE else 0)
        return Inode(node, _u32(raw, 0x20), raw[_MAP], raw, place, seed, block, extra)

    def _node(self, number: int, raw: bytes, place: int, extra: int) -> Node:
        mode, links = _u16(raw, 0x00), _u16(raw, 0x1A)
        kind = _KINDS.get(mode & 0xF000)
        if kind is None or not links:
            raise Malformed(f"ext4 inode {number}", place, "one in use", f"mode {mode:#o}, {links} links")
        size = _u32(raw, 0x04)
        if kind == "file" or self._superblock.incompat & _LARGE_DIR:  # ext4_isize in fs/ext4/ext4.h
            size |= _u32(raw, 0x6C) << 32
        if size >= 1 << 63:
            raise Malformed(f"ext4 inode {number}", place + 0x04, "a size below 2^63", f"{size}")
        return Node(
            number=number,
            kind=kind,
            mode=mode & 0o7777,
            user=_u16(raw, 0x02) | _u16(raw, 0x78) << 16,
            group=_u16(raw, 0x18) | _u16(raw, 0x7A) << 16,
            size=size,
            modified_ns=_time(raw, 0x10, 0x88, extra),
            links=links,
            device=_device(raw[_MAP]) if kind in ("character device", "block device") else None,
        )


def inode_checksums(raw: bytes, seed: int) -> tuple[int, int]:
    """An inode's checksum as stored and as it should be (ext4_inode_csum in the kernel's fs/ext4/inode.c)."""
    low, high = 0x7C, 0x82
    blank = bytearray(raw)
    blank[low : low + 2] = bytes(2)
    stored = _u16(raw, low)
    if len(raw) > 128 and _u16(raw, 0x80) >= high + 2 - 128:
        blank[high : high + 2] = bytes(2)
        stored |= _u16(raw, high) << 16
        return stored, crc32c(bytes(blank), seed)
    return stored, crc32c(bytes(blank), seed) & 0xFFFF


def _time(raw: bytes, at: int, at_extra: int, extra: int) -> int:
    """Nanoseconds since 1970: 32 bits, signed, and where there is room two bits of epoch and the nanoseconds.

    As ext4_decode_extra_time in fs/ext4/ext4.h.
    """
    (seconds,) = struct.unpack_from("<i", raw, at)
    if 128 + extra < at_extra + 4:
        return int(seconds) * 1_000_000_000
    more = _u32(raw, at_extra)
    return (int(seconds) + ((more & 3) << 32)) * 1_000_000_000 + min(more >> 2, 999_999_999)


def _device(map: bytes) -> tuple[int, int]:
    """Major and minor number: old_decode_dev and new_decode_dev in include/linux/kdev_t.h."""
    old, new = struct.unpack_from("<II", map)
    if old:
        return old >> 8 & 0xFF, old & 0xFF
    return (new & 0xFFF00) >> 8, (new & 0xFF) | (new >> 12 & 0xFFF00)


def _u16(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 2], "little")


def _u32(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 4], "little")
