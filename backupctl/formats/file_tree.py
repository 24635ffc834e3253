"""Files and folders as every reader of a file system gives them, whatever it reads them from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from backupctl.formats.reader import ReadAt

Kind = Literal["file", "folder", "link", "fifo", "socket", "character device", "block device"]


@dataclass(frozen=True, slots=True)
class Node:
    """What stands behind a name: an inode of ext4, an entry of a FAT folder."""

    number: int  # unique within its file system: equal for names that are hard links of one file
    kind: Kind
    mode: int  # permissions with setuid, setgid and sticky: mode & 0o7777
    user: int
    group: int
    size: int  # bytes
    modified_ns: int  # since 1970, UTC
    links: int = 1
    device: tuple[int, int] | None = None  # major and minor number


class Piece(NamedTuple):
    """`length` bytes of a file from its byte `offset` on, which stand from byte `place` of the volume on."""

    offset: int
    place: int
    length: int


class FileTree(Protocol):
    """Reads one file system by position. Every method raises Malformed for what makes no sense, OSError of the reader.

    Names are bytes, as on disk; on FAT they are UTF-8. Folders are listed without "." and "..". Nothing that is read
    makes a method run without end, but a walk through folders has to find loops itself: a damaged folder may be in
    itself.
    """

    @property
    def root(self) -> Node: ...

    def names(self, folder: Node) -> Iterator[tuple[bytes, int]]:
        """Names and the numbers of their nodes, in the order in which they stand on disk.

        A name is never empty, and holds neither "/" nor NUL.
        """
        ...

    def node(self, number: int) -> Node:
        """By a number that `names` gave."""
        ...

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        """`names` with their nodes."""
        ...

    def find(self, folder: Node, name: bytes) -> Node | None:
        """What has that name there; on FAT in any case."""
        ...

    def pieces(self, file: Node, start: int = 0, end: int | None = None) -> Iterator[Piece]:
        """Where the bytes `[start, end)` of a file stand, in order, without overlap; what is not told of is zeros."""
        ...

    def read(self, file: Node, offset: int, length: int) -> bytes:
        """Bytes of a file, fewer only at its end; holes are zeros."""
        ...

    def target(self, link: Node) -> bytes:
        """Where a symbolic link points to: not resolved, not checked."""
        ...

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        """Extended attributes by full name, as b"security.capability", in the form that setxattr(2) takes; none on
        FAT."""
        ...


def read_pieces(reader: ReadAt, pieces: Iterable[Piece], offset: int, length: int) -> bytes:
    """The bytes `[offset, offset + length)` of a file, of which `pieces` tells."""
    found = bytearray(length)
    for piece in pieces:
        low, high = max(piece.offset, offset), min(piece.offset + piece.length, offset + length)
        if low < high:
            found[low - offset : high - offset] = reader.read_at(piece.place + low - piece.offset, high - low)
    return bytes(found)
