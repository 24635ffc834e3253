"""The superblock of ext2, ext3 and ext4, and the arithmetic of groups that follows from it.

Names, offsets and rules are those of the Linux kernel's documentation, filesystems/ext4 ("super", "blockgroup",
"bigalloc", "checksums"), and of ext2_fs.h from libext2fs. Numbers on disk are little-endian. Block numbers count from
the file system's start; every range is half-open.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from backupctl.domain.errors import Malformed
from backupctl.formats.crc import crc32c

SUPERBLOCK_OFFSET = 1024
SUPERBLOCK_LENGTH = 1024
_MAGIC = 0xEF53

HAS_JOURNAL = 0x4  # compat
SPARSE_SUPER2 = 0x200

RECOVER = 0x4  # incompat
JOURNAL_DEVICE = 0x8
META_BG = 0x10
WIDE = 0x80  # "64bit"
CHECKSUM_SEED = 0x2000
# filetype, recover, meta_bg, extents, 64bit, mmp, flex_bg, ea_inode, csum_seed, and largedir to casefold
_KNOWN_INCOMPAT = 0x2 | RECOVER | META_BG | 0x40 | WIDE | 0x100 | 0x200 | 0x400 | CHECKSUM_SEED | 0x3C000

SPARSE_SUPER = 0x1  # ro_compat
GDT_CSUM = 0x10
BIGALLOC = 0x200
METADATA_CSUM = 0x400
# sparse_super, large_file, btree_dir, huge_file, gdt_csum, dir_nlink, extra_isize, quota, bigalloc, metadata_csum,
# readonly, project, verity, orphan_present. An unknown bit here may change what a bitmap means, as bigalloc did.
_KNOWN_RO_COMPAT = 0x7F | 0x100 | BIGALLOC | METADATA_CSUM | 0x1000 | 0x2000 | 0x8000 | 0x10000

_CLEAN, _ERRORS, _ORPHANS = 0x1, 0x2, 0x4
_CRC32C_TYPE = 1

# 8 TiB in 4 KiB blocks; bounds the memory that a superblock can ask for (15 TiB were measured at 92 MiB).
_MOST_GROUPS = 1 << 16


@dataclass(frozen=True)
class Superblock:
    """The fields of the primary superblock that tell where things lie. Only `check` makes them worth believing."""

    raw: bytes
    blocks: int
    first_block: int
    log_block_size: int
    log_cluster_size: int
    blocks_per_group: int
    clusters_per_group: int
    inodes: int
    inodes_per_group: int
    state: int
    revision: int
    inode_size: int
    compat: int
    incompat: int
    ro_compat: int
    uuid: bytes
    label: str
    reserved_descriptor_blocks: int
    journal_inode: int
    journal_device: int
    descriptor_size: int
    first_meta_bg: int
    backup_groups: tuple[int, int]

    @property
    def kind(self) -> str:
        """ext2, ext3 or ext4, told apart as blkid does: by features that the older ones do not have."""
        if self.incompat & ~(0x2 | RECOVER | META_BG) or self.ro_compat & ~0x7:
            return "ext4"
        return "ext3" if self.compat & HAS_JOURNAL else "ext2"

    @property
    def identity(self) -> str:
        return str(UUID(bytes=self.uuid))

    @property
    def block_size(self) -> int:
        """Bytes."""
        return 1024 << self.log_block_size

    @property
    def cluster_blocks(self) -> int:
        """Blocks for each bit of a bitmap: 1 without bigalloc."""
        return 1 << (self.log_cluster_size - self.log_block_size)

    @property
    def groups(self) -> int:
        return _ceil(self.blocks - self.first_block, self.blocks_per_group)

    @property
    def descriptors_per_block(self) -> int:
        return self.block_size // self.descriptor_size

    @property
    def inode_table_blocks(self) -> int:
        """Blocks of one group's inode table."""
        return _ceil(self.inodes_per_group * self.inode_size, self.block_size)

    @property
    def geometry(self) -> tuple[int, ...]:
        """What decides where groups and their descriptors lie, and what bits of a bitmap mean: not what is in use."""
        return (
            self.blocks, self.first_block, self.block_size, self.cluster_blocks, self.clusters_per_group,
            self.inode_table_blocks, self.descriptor_size, self.reserved_descriptor_blocks, self.first_meta_bg,
            *self.backup_groups, self.compat & SPARSE_SUPER2, self.incompat & META_BG,
            self.ro_compat & (SPARSE_SUPER | GDT_CSUM | METADATA_CSUM),
        )  # fmt: skip

    @property
    def seed(self) -> int:
        """What every metadata checksum but the superblock's own starts from."""
        if self.incompat & CHECKSUM_SEED:
            return _u32(self.raw, 0x270)
        return crc32c(self.uuid)

    def group_blocks(self, group: int) -> tuple[int, int]:
        """The blocks of a group; the last one may be short."""
        start = self.first_block + group * self.blocks_per_group
        return start, min(start + self.blocks_per_group, self.blocks)

    def group_clusters(self, group: int) -> int:
        """How many bits of a group's bitmap count; the rest is padding."""
        start, end = self.group_blocks(group)
        return _ceil(end - start, self.cluster_blocks)

    def has_superblock(self, group: int) -> bool:
        """Whether a group starts with a copy of the superblock."""
        if group == 0:
            return True
        if self.compat & SPARSE_SUPER2:
            return group in self.backup_groups
        if group == 1 or not self.ro_compat & SPARSE_SUPER:
            return True
        return any(_is_power(group, base) for base in (3, 5, 7))

    @property
    def _plain_descriptor_blocks(self) -> int:
        """How many descriptor blocks follow each superblock; those of meta_bg do not."""
        every = _ceil(self.groups, self.descriptors_per_block)
        return min(every, self.first_meta_bg) if self.incompat & META_BG else every

    def descriptor_blocks(self) -> Iterator[int]:
        """The blocks that hold the primary group descriptors, in order."""
        plain = self._plain_descriptor_blocks
        # The primary superblock is in block 1 if blocks are 1 KiB, also where bigalloc makes 0 the first block.
        after = SUPERBLOCK_OFFSET // self.block_size + 1
        yield from range(after, after + plain)
        for number in range(plain, _ceil(self.groups, self.descriptors_per_block)):
            group = number * self.descriptors_per_block
            yield after if group == 0 else self.group_blocks(group)[0] + self.has_superblock(group)

    def head_blocks(self, group: int) -> tuple[int, int]:
        """The blocks at a group's start that hold a superblock, descriptors, and room for more descriptors.

        As ext4_num_base_meta_clusters in the kernel's fs/ext4/balloc.c counts them.
        """
        copy = self.has_superblock(group)
        start = self.group_blocks(group)[0]
        end = start + copy
        if group == 0:
            end = SUPERBLOCK_OFFSET // self.block_size + 1
        meta = group // self.descriptors_per_block
        if self.incompat & META_BG and meta >= self.first_meta_bg:
            end += group % self.descriptors_per_block in (0, 1, self.descriptors_per_block - 1)
        elif copy:
            end += self._plain_descriptor_blocks + self.reserved_descriptor_blocks
        return start, min(end, self.blocks)

    def check(self, volume_size: int, live: bool = False) -> None:
        """Raises Malformed, naming the field, unless the allocation bitmaps of this file system can be believed.

        `volume_size`: bytes of the volume that it lies on. With `live`, its journal may be in use: what it is now is
        wanted as a hint only.
        """
        self._check_own_checksum()
        self._check_features()
        unknown = self.ro_compat & ~_KNOWN_RO_COMPAT
        _require(not unknown, 0x64, "known ro_compat features", f"unknown bits {unknown:#x}")
        self._check_state(live)
        self._check_geometry(volume_size)

    def check_readable(self, volume_size: int) -> None:
        """Raises Malformed unless files can be looked for in this file system: it may be in use, or have errors."""
        self._check_own_checksum()
        self._check_features()
        self._check_geometry(volume_size)

    def _check_own_checksum(self) -> None:
        if self.ro_compat & METADATA_CSUM:
            _require(self.raw[0x175] == _CRC32C_TYPE, 0x175, "checksums of type 1 (crc32c)", f"type {self.raw[0x175]}")
            stored, right = _u32(self.raw, 0x3FC), crc32c(self.raw[:0x3FC])
            _require(stored == right, 0x3FC, f"checksum {right:#010x}", f"{stored:#010x}")

    def _check_features(self) -> None:
        features = self.compat | self.incompat | self.ro_compat
        _require(self.revision == 1 or (self.revision == 0 and not features), 0x4C, "revision 1", f"{self.revision}")
        _require(
            not self.incompat & JOURNAL_DEVICE, 0x60, "a file system", "the journal of another device's file system"
        )
        unknown = self.incompat & ~_KNOWN_INCOMPAT
        _require(not unknown, 0x60, "known incompat features", f"unknown bits {unknown:#x}")

    def _check_state(self, live: bool) -> None:
        _require(
            live or not self.incompat & RECOVER,
            0x60,
            "a journal that has been written back",
            "needs_recovery set: the bitmaps are older than the journal",
        )
        _require(not self.state & _ERRORS, 0x3A, "a file system without errors", "the mark that errors were detected")
        _require(
            self.state & (_CLEAN | _ORPHANS) == _CLEAN,
            0x3A,
            "a file system that was cleanly unmounted",
            f"state {self.state:#x}",
        )
        if self.compat & HAS_JOURNAL:
            _require(
                self.journal_inode != 0 and self.journal_device == 0,
                0xE0,
                "the journal within the file system",
                f"inode {self.journal_inode}, journal on another device ({self.journal_device:#x})",
            )

    def _check_geometry(self, volume_size: int) -> None:
        _require(self.log_block_size <= 6, 0x18, "blocks of 1 to 64 KiB", f"1024 << {self.log_block_size}")
        if self.ro_compat & BIGALLOC:
            # EXT2_MAX_CLUSTER_LOG_SIZE is 29.
            likely = self.log_block_size <= self.log_cluster_size <= 19
        else:
            likely = self.log_cluster_size == self.log_block_size
        _require(likely, 0x1C, "a cluster size that fits the block size", f"1024 << {self.log_cluster_size}")
        size = self.block_size
        first = int(size == 1024 and not self.ro_compat & BIGALLOC)
        _require(self.first_block == first, 0x14, f"first data block {first}", f"{self.first_block}")
        _require(
            self.blocks > self.first_block and self.blocks * size <= volume_size,
            0x04,
            f"at most {volume_size // size} blocks of {size} bytes: no more than the volume has",
            f"{self.blocks}",
        )
        clusters = self.clusters_per_group
        _require(
            0 < clusters <= 8 * size and clusters % 8 == 0,
            0x24,
            f"a multiple of 8 clusters in a group, at most {8 * size}",
            f"{clusters}",
        )
        _require(
            self.blocks_per_group == clusters * self.cluster_blocks,
            0x20,
            f"{clusters * self.cluster_blocks} blocks in a group",
            f"{self.blocks_per_group}",
        )
        _require(self.groups <= _MOST_GROUPS, 0x20, f"at most {_MOST_GROUPS} groups", f"{self.groups}")
        inode = self.inode_size
        _require(
            128 <= inode <= size and inode & (inode - 1) == 0, 0x58, f"inodes of 128 to {size} bytes", f"{inode} bytes"
        )
        _require(
            0 < self.inodes_per_group <= 8 * size and self.inodes == self.inodes_per_group * self.groups,
            0x28,
            f"{self.inodes} inodes shared out evenly among {self.groups} groups",
            f"{self.inodes_per_group} in each",
        )
        length = self.descriptor_size
        _require(
            length == 32 or (64 <= length <= 1024 and length & (length - 1) == 0),
            0xFE,
            "descriptors of 64 to 1024 bytes",
            f"{length} bytes",
        )
        every = _ceil(self.groups, self.descriptors_per_block)
        _require(
            not self.incompat & META_BG or self.first_meta_bg <= every,
            0x104,
            f"a first meta_bg of at most {every}",
            f"{self.first_meta_bg}",
        )
        _require(
            self.reserved_descriptor_blocks <= size // 4,
            0xCE,
            f"at most {size // 4} reserved descriptor blocks",
            f"{self.reserved_descriptor_blocks}",
        )


def parse_superblock(raw: bytes) -> Superblock | None:
    """The superblock in the 1024 bytes at byte 1024 of a volume; None without ext2's magic number."""
    if struct.unpack_from("<H", raw, 0x38)[0] != _MAGIC:
        return None
    revision = _u32(raw, 0x4C)
    wide = bool(_u32(raw, 0x60) & WIDE)
    return Superblock(
        raw=raw,
        blocks=_u32(raw, 0x04) | (_u32(raw, 0x150) << 32 if wide else 0),
        first_block=_u32(raw, 0x14),
        log_block_size=_u32(raw, 0x18),
        log_cluster_size=_u32(raw, 0x1C),
        blocks_per_group=_u32(raw, 0x20),
        clusters_per_group=_u32(raw, 0x24),
        inodes=_u32(raw, 0x00),
        inodes_per_group=_u32(raw, 0x28),
        state=_u16(raw, 0x3A),
        revision=revision,
        inode_size=_u16(raw, 0x58) if revision else 128,
        compat=_u32(raw, 0x5C),
        incompat=_u32(raw, 0x60),
        ro_compat=_u32(raw, 0x64),
        uuid=raw[0x68:0x78],
        label=raw[0x78:0x88].split(b"\0")[0].decode("utf-8", "replace"),
        reserved_descriptor_blocks=_u16(raw, 0xCE),
        journal_inode=_u32(raw, 0xE0),
        journal_device=_u32(raw, 0xE4),
        descriptor_size=_u16(raw, 0xFE) if wide else 32,
        first_meta_bg=_u32(raw, 0x104),
        backup_groups=(_u32(raw, 0x24C), _u32(raw, 0x250)),
    )


def _require(holds: bool, field: int, expected: str, found: str) -> None:
    if not holds:
        raise Malformed("ext4 superblock", SUPERBLOCK_OFFSET + field, expected, found)


def _u16(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 2], "little")


def _u32(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 4], "little")


def _ceil(number: int, unit: int) -> int:
    return -(-number // unit)


def _is_power(number: int, base: int) -> bool:
    while number % base == 0:
        number //= base
    return number == 1
