"""Folders of ext2, ext3 and ext4, entry by entry.

Sources as in `ext4_inodes`, of the kernel's documentation "directory". The tree of hashes that large folders have
stands in entries that look unused, so that reading a folder from its start to its end finds every name.
"""

from __future__ import annotations

from collections.abc import Iterator

from backupctl.domain.errors import Malformed
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_inodes import INDEXED, Inode

_TAIL = 12  # an entry that holds the block's checksum
_TAIL_TYPE = 0xDE
_FILE_TYPE = 0x2  # incompat: one byte less for the length of a name, which is at most 255 anyway
_SKIPPED = (b".", b"..")


def names_in(raw: bytes, place: int, superblock: ext4.Superblock) -> Iterator[tuple[bytes, int]]:
    """Names and numbers of inodes in a block that stands at byte `place`, or in another stretch of entries.

    Raises Malformed.
    """

    def broken(expected: str, found: str) -> Malformed:
        return Malformed("ext4 folder", place + at, expected, found)

    at = 0
    while at + 8 <= len(raw):
        number = int.from_bytes(raw[at : at + 4], "little")
        length = int.from_bytes(raw[at + 4 : at + 6], "little")
        if len(raw) >= 1 << 16 and length in (0, 0xFFFF):  # ext4_rec_len_from_disk in fs/ext4/ext4.h
            length = len(raw) - at
        elif len(raw) >= 1 << 16:
            length = (length & 0xFFFC) | (length & 3) << 16
        name_length = (
            raw[at + 6] if superblock.incompat & _FILE_TYPE else int.from_bytes(raw[at + 6 : at + 8], "little")
        )
        if length < 12 or length % 4 or at + length > len(raw) or 8 + name_length > length:
            raise broken("an entry within its block", f"{length} bytes, {name_length} of name")
        if number:
            name = raw[at + 8 : at + 8 + name_length]
            if not name or b"/" in name or b"\0" in name:
                raise broken("a name", repr(name))
            if name not in _SKIPPED:
                yield name, number
        at += length
    if any(raw[at:]):
        raise broken("the end of the entries", f"{len(raw) - at} bytes")


def check_block(raw: bytes, place: int, inode: Inode, superblock: ext4.Superblock) -> None:
    """Raises Malformed unless a folder's block has the checksum that it should (ext4_dirblock_csum_verify).

    Blocks of the tree of hashes are passed over: their own checksum is about hashes, which are not used here.
    """
    if not superblock.ro_compat & ext4.METADATA_CSUM or (inode.flags & INDEXED and _is_of_tree(raw)):
        return
    tail = raw[-_TAIL:]
    if tail[:8] != bytes((0, 0, 0, 0, _TAIL, 0, 0, _TAIL_TYPE)):
        raise Malformed("ext4 folder", place + len(raw) - _TAIL, "a checksum", tail.hex())
    stored, right = int.from_bytes(tail[8:], "little"), crc32c(raw[:-_TAIL], inode.seed)
    if stored != right:
        raise Malformed("ext4 folder", place, f"checksum {right:#010x}", f"{stored:#010x}")


def _is_of_tree(raw: bytes) -> bool:
    """get_dx_countlimit in fs/ext4/namei.c: one entry over the whole block, or ".." over all that is behind "."."""
    first = int.from_bytes(raw[4:6], "little")
    size = len(raw) if len(raw) < 1 << 16 else 0xFFFF
    if first in (size, 0 if size == 0xFFFF else size):
        return True
    second = int.from_bytes(raw[16:18], "little")
    return first == 12 and second in (len(raw) - 12, (len(raw) - 12) & 0xFFFC | (len(raw) - 12) >> 16)
