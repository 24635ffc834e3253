"""How a volume was made: what has to be told to make an empty one that a board takes for the same.

Sources: for ext2, ext3 and ext4 as in `ext4`, with the names that features have in tune2fs(8), ext4(5) and libe2p's
feature.c; for FAT as in `fat`; for the others, the kernel's documentation and headers named beside them.
"""

from __future__ import annotations

from typing import Any
from uuid import UUID

from backupctl.formats import ext4
from backupctl.formats.reader import ReadAt

# Those that mke2fs(8) can be asked for: neither what a mount leaves (needs_recovery) nor what is long gone.
_COMPAT = {
    0x4: "has_journal", 0x8: "ext_attr", 0x10: "resize_inode", 0x20: "dir_index", 0x200: "sparse_super2",
    0x400: "fast_commit", 0x800: "stable_inodes", 0x1000: "orphan_file",
}  # fmt: skip
_INCOMPAT = {
    0x2: "filetype", 0x10: "meta_bg", 0x40: "extent", 0x80: "64bit", 0x100: "mmp", 0x200: "flex_bg", 0x400: "ea_inode",
    0x2000: "metadata_csum_seed", 0x4000: "large_dir", 0x8000: "inline_data", 0x10000: "encrypt", 0x20000: "casefold",
}  # fmt: skip
_RO_COMPAT = {
    0x1: "sparse_super", 0x2: "large_file", 0x8: "huge_file", 0x10: "uninit_bg", 0x20: "dir_nlink",
    0x40: "extra_isize", 0x100: "quota", 0x200: "bigalloc", 0x400: "metadata_csum", 0x2000: "project",
    0x8000: "verity",
}  # fmt: skip
EXT_FEATURES = frozenset({*_COMPAT.values(), *_INCOMPAT.values(), *_RO_COMPAT.values()})


def how_made(reader: ReadAt, kind: str) -> dict[str, Any]:
    """Of a volume of that kind (as VolumeMap has it); empty where nothing is known. Sizes in bytes. Raises OSError."""
    if kind in ("ext2", "ext3", "ext4"):
        return _ext(reader)
    if kind in ("fat12", "fat16", "fat32"):
        return _fat(reader, kind)
    return {}


def _ext(reader: ReadAt) -> dict[str, Any]:
    found = ext4.parse_superblock(reader.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH))
    if found is None or found.log_block_size > 6:
        return {}
    fields = ((found.compat, _COMPAT), (found.incompat, _INCOMPAT), (found.ro_compat, _RO_COMPAT))
    return {
        "features": [name for value, names in fields for bit, name in names.items() if value & bit],
        "block_size": found.block_size,
        "cluster_size": found.block_size * found.cluster_blocks if found.ro_compat & ext4.BIGALLOC else 0,
        "inode_size": found.inode_size,
        "inodes": found.inodes,
        "reserved_percent": round(100 * _reserved(found) / max(found.blocks, 1), 2),
    }


def _reserved(superblock: ext4.Superblock) -> int:
    high = int.from_bytes(superblock.raw[0x154:0x158], "little") if superblock.incompat & ext4.WIDE else 0
    return int.from_bytes(superblock.raw[0x08:0x0C], "little") | high << 32


def _fat(reader: ReadAt, kind: str) -> dict[str, Any]:
    boot = reader.read_at(0, 512)
    sector = int.from_bytes(boot[11:13], "little")
    return {
        "bits": int(kind.removeprefix("fat")),
        "sector_size": sector,
        "cluster_size": boot[13] * sector,
        "reserved_sectors": int.from_bytes(boot[14:16], "little"),
        "tables": boot[16],
        "root_entries": int.from_bytes(boot[17:19], "little"),
    }


def names_of(reader: ReadAt, kind: str) -> tuple[str, str]:
    """Label and identity, as `blkid` prints them, of kinds of which no map is made; else empty. Raises OSError."""
    if kind == "btrfs":  # struct btrfs_super_block of linux/btrfs_tree.h, at 64 KiB
        block = reader.read_at(1 << 16, 4096)
        return _text(block[0x12B : 0x12B + 256]), str(UUID(bytes=block[0x20:0x30]))
    if kind == "f2fs":  # struct f2fs_super_block of linux/f2fs_fs.h, at 1 KiB
        block = reader.read_at(1024, 3072)
        label = block[0x7C : 0x7C + 1024].decode("utf-16-le", "replace").split("\0")[0]
        return label, str(UUID(bytes=block[0x6C:0x7C]))
    if kind == "xfs":  # struct xfs_dsb of the kernel's fs/xfs/libxfs/xfs_format.h, at 0
        block = reader.read_at(0, 512)
        return _text(block[0x6C : 0x6C + 12]), str(UUID(bytes=block[0x20:0x30]))
    return "", ""


def _text(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode("utf-8", "replace")
