"""Extended attributes of ext2, ext3 and ext4: behind an inode's fields, in a block, in an inode of their own.

Sources as in `ext4_inodes`, of the kernel's documentation "attributes"; fs/ext4/xattr.h and acl.h for the names'
prefixes and access control lists; include/uapi/linux/posix_acl_xattr.h for the form in which setxattr(2) takes these.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

from backupctl.domain.errors import Malformed
from backupctl.formats import ext4
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_inodes import Inode
from backupctl.formats.reader import ReadAt

_MAGIC = 0xEA020000
_BLOCK_HEAD = 32
_ENTRY = struct.Struct("<BBHIII")
_VALUE_MOST = 1 << 16  # XATTR_SIZE_MAX in include/uapi/linux/limits.h
_PREFIXES = {
    0: b"",
    1: b"user.",
    2: b"system.posix_acl_access",
    3: b"system.posix_acl_default",
    4: b"trusted.",
    5: b"lustre.",
    6: b"security.",
    7: b"system.",
    8: b"system.richacl",
    10: b"gnu.",
}
INLINE_DATA = b"system.data"  # the rest of an inline file, no attribute

_ACL_ON_DISK, _ACL_IN_CALLS = 1, 2  # versions
_ACL_SHORT, _ACL_LONG = struct.Struct("<HH"), struct.Struct("<HHI")
_ACL_NAMED = (0x02, 0x08)  # ACL_USER and ACL_GROUP name somebody
_ACL_NOBODY = 0xFFFFFFFF


class AttributeReader:
    """Reads the attributes of inodes. `value_of(number, length)`: the content of an inode that holds a value."""

    def __init__(self, reader: ReadAt, superblock: ext4.Superblock, value_of: Callable[[int, int], bytes]) -> None:
        self._reader = reader
        self._superblock = superblock
        self._value_of = value_of

    def read(self, inode: Inode) -> dict[bytes, bytes]:
        """All attributes, the rest of inline data among them. Raises Malformed, OSError."""
        return dict((*self._in_inode(inode), *self._in_block(inode)))

    def inline_place(self, inode: Inode) -> tuple[int, int] | None:
        """Byte of the volume and length of what an inline file has behind its first 60 bytes."""
        for name, at, length, _ in self._entries_in_inode(inode):
            if name == INLINE_DATA:
                return inode.place + at, length
        return None

    def _in_inode(self, inode: Inode) -> Iterator[tuple[bytes, bytes]]:
        for name, at, length, owner in self._entries_in_inode(inode):
            yield name, self._value(name, inode.raw, at, length, owner)

    def _entries_in_inode(self, inode: Inode) -> Iterator[tuple[bytes, int, int, int]]:
        start = 128 + inode.extra
        if (
            len(inode.raw) - start < 8
            or not inode.extra
            or int.from_bytes(inode.raw[start : start + 4], "little") != _MAGIC
        ):
            return iter(())
        return _entries(inode.raw, inode.place, start + 4, start + 4)

    def _in_block(self, inode: Inode) -> Iterator[tuple[bytes, bytes]]:
        block, size = inode.attribute_block, self._superblock.block_size
        if not block:
            return
        if not self._superblock.first_block <= block < self._superblock.blocks:
            raise inode.broken(f"attributes within {self._superblock.blocks} blocks", f"block {block}")
        raw = self._reader.read_at(block * size, size)
        magic, _, blocks, _, stored = struct.unpack_from("<5I", raw)
        if magic != _MAGIC or blocks != 1:
            raise Malformed("ext4 attributes", block * size, f"magic {_MAGIC:#x}, 1 block", f"{magic:#x}, {blocks}")
        if self._superblock.ro_compat & ext4.METADATA_CSUM:
            right = crc32c(block.to_bytes(8, "little") + raw[:0x10] + bytes(4) + raw[0x14:], self._superblock.seed)
            if stored != right:
                raise Malformed("ext4 attributes", block * size, f"checksum {right:#010x}", f"{stored:#010x}")
        for name, at, length, owner in _entries(raw, block * size, _BLOCK_HEAD, 0):
            yield name, self._value(name, raw, at, length, owner)

    def _value(self, name: bytes, raw: bytes, at: int, length: int, owner: int) -> bytes:
        value = self._value_of(owner, length) if owner else raw[at : at + length]
        return acl_for_calls(value) if name in (_PREFIXES[2], _PREFIXES[3]) else value


def _entries(raw: bytes, place: int, at: int, base: int) -> Iterator[tuple[bytes, int, int, int]]:
    """Full name, place in `raw` and length of each value, and the inode that it stands in (0: none).

    `base`: what the places of values count from.
    """
    while at + 4 <= len(raw) and raw[at : at + 4] != bytes(4):
        if at + _ENTRY.size > len(raw):
            raise Malformed("ext4 attributes", place + at, "an entry", "the end")
        name_length, prefix, offset, owner, length, _ = _ENTRY.unpack_from(raw, at)
        behind = at + _ENTRY.size + name_length
        value = base + offset
        if behind > len(raw) or length > _VALUE_MOST or (not owner and value + length > len(raw)):
            raise Malformed("ext4 attributes", place + at, "a value in its place", f"{length} bytes at {value}")
        name = _PREFIXES.get(prefix)
        if name is not None:  # of the others, encryption's context, no caller ever sees anything
            name += raw[at + _ENTRY.size : behind]
            if b"\0" in name or not name:
                raise Malformed("ext4 attributes", place + at, "a name", repr(name))
            yield name, value, length, owner
        at = behind + -behind % 4


def acl_for_calls(value: bytes) -> bytes:
    """An access control list as setxattr(2) takes it, from the shorter form on disk (ext4_acl_from_disk)."""
    if int.from_bytes(value[:4], "little") != _ACL_ON_DISK:
        raise Malformed("ext4 access control list", 0, f"version {_ACL_ON_DISK}", value[:4].hex())
    made = bytearray(_ACL_IN_CALLS.to_bytes(4, "little"))
    at = 4
    while at < len(value):
        named = len(value) - at >= 2 and int.from_bytes(value[at : at + 2], "little") in _ACL_NAMED
        form = _ACL_LONG if named else _ACL_SHORT
        if at + form.size > len(value):
            raise Malformed("ext4 access control list", at, f"an entry of {form.size} bytes", value[at:].hex())
        fields = form.unpack_from(value, at)
        made += _ACL_LONG.pack(*(fields if named else (*fields, _ACL_NOBODY)))
        at += form.size
    return bytes(made)
