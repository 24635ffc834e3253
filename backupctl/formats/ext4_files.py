"""Files of ext2, ext3 and ext4, read by position: without the kernel, without root, on any system.

The journal is not looked at: of a file system that was not unmounted, the files are as they were written back. Where a
folder or a file is encrypted (fscrypt), that is said; names of folders that do not tell upper from lower case are as
they stand there. Sources: see the modules that this one puts together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from backupctl.domain.errors import Malformed
from backupctl.formats import ext4
from backupctl.formats.ext4_attributes import INLINE_DATA, AttributeReader
from backupctl.formats.ext4_folders import check_block, names_in
from backupctl.formats.ext4_inodes import ATTRIBUTE_VALUE, ENCRYPTED, INLINE, ROOT, Inode, InodeReader
from backupctl.formats.ext4_pieces import FileMap
from backupctl.formats.file_tree import Node, Piece, read_pieces
from backupctl.formats.reader import ReadAt

_INLINE_BYTES = 60  # in i_block
_TARGET_MOST = 4096  # PATH_MAX
_FOLDER_AT_ONCE = 64 << 10


class Ext4Tree:
    """A `FileTree`. `warnings`: what may be wrong with its files, in words."""

    def __init__(self, reader: ReadAt) -> None:
        """Raises Malformed unless an ext file system stands there that can be read, OSError of the reader.

        Where the first superblock cannot be used, a copy of it is, with that of the group descriptors.
        """
        self.warnings: tuple[str, ...] = ()
        copy = 0
        try:
            superblock = _readable_superblock(reader, ext4.SUPERBLOCK_OFFSET)
        except Malformed as error:
            found = _copied_superblock(reader)
            if found is None:
                raise
            superblock, copy = found, 1
            self.warnings += (f"a copy of the superblock is used, since it is damaged: {error.cause}",)
        if superblock.incompat & ext4.RECOVER:
            self.warnings += (
                "the file system was in use: what only its journal held, the changes of the last seconds, is not seen",
            )
        self.superblock = superblock
        self._reader = reader
        self._inodes = InodeReader(reader, superblock, copy)
        self._map = FileMap(reader, superblock)
        self._attributes = AttributeReader(reader, superblock, self._attribute_value)

    @property
    def root(self) -> Node:
        return self.node(ROOT)

    def node(self, number: int) -> Node:
        return self._inodes.read(number).node

    def names(self, folder: Node) -> Iterator[tuple[bytes, int]]:
        inode = self._readable(folder, "folder")
        if inode.flags & INLINE:
            # The number of its parent stands in place of "." and ".." there.
            yield from names_in(inode.map[4:], inode.place + 0x2C, self.superblock)
            more = self._attributes.inline_place(inode)
            if more and more[1]:
                yield from names_in(self._reader.read_at(*more), more[0], self.superblock)
            return
        size = self.superblock.block_size
        for piece in self._map.pieces(inode, 0, folder.size):
            if piece.length % size or piece.offset % size:
                raise inode.broken("whole blocks", f"a folder of {folder.size} bytes")
            for at in range(0, piece.length, _FOLDER_AT_ONCE):
                raw = self._reader.read_at(piece.place + at, min(_FOLDER_AT_ONCE, piece.length - at))
                for start in range(0, len(raw), size):
                    block = raw[start : start + size]
                    check_block(block, piece.place + at + start, inode, self.superblock)
                    yield from names_in(block, piece.place + at + start, self.superblock)

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        for name, number in self.names(folder):
            yield name, self.node(number)

    def find(self, folder: Node, name: bytes) -> Node | None:
        return next((self.node(number) for found, number in self.names(folder) if found == name), None)

    def pieces(self, file: Node, start: int = 0, end: int | None = None) -> Iterator[Piece]:
        return self._pieces(self._readable(file, "file"), start, end)

    def _pieces(self, inode: Inode, start: int, end: int | None) -> Iterator[Piece]:
        size = inode.node.size
        end = size if end is None else min(end, size)
        if start >= end:
            return iter(())
        return self._inline(inode, start, end) if inode.flags & INLINE else self._map.pieces(inode, start, end)

    def _inline(self, inode: Inode, start: int, end: int) -> Iterator[Piece]:
        more = self._attributes.inline_place(inode) or (0, 0)
        if inode.node.size > _INLINE_BYTES + more[1]:
            raise inode.broken(f"at most {_INLINE_BYTES + more[1]} bytes, as they stand in it", f"{inode.node.size}")
        for offset, place, length in ((0, inode.place + 0x28, _INLINE_BYTES), (_INLINE_BYTES, *more)):
            low, high = max(offset, start), min(offset + length, end)
            if low < high:
                yield Piece(low, place + low - offset, high - low)

    def read(self, file: Node, offset: int, length: int) -> bytes:
        length = max(0, min(length, file.size - offset))
        return read_pieces(self._reader, self.pieces(file, offset, offset + length), offset, length)

    def target(self, link: Node) -> bytes:
        inode = self._readable(link, "link")
        if not 0 < link.size <= _TARGET_MOST:
            raise inode.broken(f"a target of 1 to {_TARGET_MOST} bytes", f"{link.size}")
        if inode.is_inline_link(self.superblock):
            found = inode.map[: link.size]
        else:
            found = read_pieces(self._reader, self._pieces(inode, 0, link.size), 0, link.size)
        if b"\0" in found:
            raise inode.broken("a target without a zero byte", repr(found[:80]))
        return found

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        found = self._attributes.read(self._inodes.read(node.number))
        found.pop(INLINE_DATA, None)
        return found

    def _attribute_value(self, number: int, length: int) -> bytes:
        inode = self._inodes.read(number)
        if not inode.flags & ATTRIBUTE_VALUE or inode.node.size != length:
            raise inode.broken(f"the value of an attribute, {length} bytes", f"{inode.node.size} bytes")
        return read_pieces(self._reader, self._pieces(inode, 0, length), 0, length)

    def _readable(self, node: Node, kind: str) -> Inode:
        inode = self._inodes.read(node.number)
        if inode.node.kind != kind:
            raise inode.broken(f"a {kind}", f"a {inode.node.kind}")
        if inode.flags & ENCRYPTED:
            raise inode.broken("what can be read without a key", f"an encrypted {kind}")
        return inode


def _readable_superblock(reader: ReadAt, offset: int) -> ext4.Superblock:
    raw = reader.read_at(offset, ext4.SUPERBLOCK_LENGTH)
    found = ext4.parse_superblock(raw)
    if found is None:
        raise Malformed("ext4 superblock", offset + 0x38, "its magic number", raw[0x38:0x3A].hex())
    found.check_readable(reader.size)
    return found


def _copied_superblock(reader: ReadAt) -> ext4.Superblock | None:
    """That at the start of group 1, where mke2fs(8) puts it: a group has as many blocks as a block has bits."""
    for size in (1024, 2048, 4096):
        try:
            found = _readable_superblock(reader, (8 * size + (size == 1024)) * size)
        except Malformed:
            continue
        if found.block_size == size and found.groups > 1 and found.group_blocks(1)[0] == 8 * size + (size == 1024):
            return found
    return None
