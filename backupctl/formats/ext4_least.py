"""How small an ext2, ext3 or ext4 file system can be at the least, from its superblock alone."""

from __future__ import annotations

from backupctl.formats.ext4 import BIGALLOC, Superblock

_BITMAPS = 2  # blocks of a group


def used_blocks(superblock: Superblock) -> int:
    """Blocks in use, the file system's own included."""
    raw = superblock.raw
    free = int.from_bytes(raw[0x0C:0x10], "little")
    if superblock.incompat & 0x80:
        free |= int.from_bytes(raw[0x158:0x15C], "little") << 32
    return superblock.blocks - free


def least_blocks(superblock: Superblock) -> int:
    """A bound below which no shrinking gets: the blocks in use, less what goes with groups that are not needed.

    The true smallest size, which only the programs that shrink know, is somewhat larger.
    """
    if superblock.ro_compat & BIGALLOC:
        return 0  # its structures share clusters, so that this arithmetic would not hold
    every = superblock.inode_table_blocks + _BITMAPS
    heads = [end - start for start, end in map(superblock.head_blocks, range(superblock.groups))]
    content = max(0, used_blocks(superblock) - superblock.groups * every - sum(heads))
    used_inodes = superblock.inodes - int.from_bytes(superblock.raw[0x10:0x14], "little")
    groups = max(1, -(-used_inodes // superblock.inodes_per_group))
    own = groups * every + sum(heads[:groups])
    while groups < superblock.groups and content + own > groups * superblock.blocks_per_group:
        own += every + heads[groups]
        groups += 1
    return content + own + superblock.first_block
