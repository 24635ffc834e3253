"""Files and folders as every reader of a file system gives them, whatever it reads them from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

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


class FileTree(Protocol):
    """Reads one file system by position. Every method raises Malformed for what makes no sense, OSError of the reader.

    Names are bytes, as on disk; on FAT they are UTF-8. Folders are listed without "." and "..".
    """

    @property
    def root(self) -> Node: ...

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        """In the order in which they stand on disk. A name is never empty, and holds neither "/" nor NUL."""
        ...

    def read(self, file: Node, offset: int, length: int) -> bytes:
        """Bytes of a file, fewer only at its end; holes are zeros."""
        ...

    def target(self, link: Node) -> bytes:
        """Where a symbolic link points to: not resolved, not checked."""
        ...

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        """Extended attributes by full name, as b"security.capability"; none on FAT."""
        ...
