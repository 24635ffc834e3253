"""Members of a capture of files: what the archive holds, and where in it, in the order in which it stands there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MemberKind = Literal["file", "folder", "link", "hard link", "fifo", "character device", "block device"]

BLOCK = 512  # of an archive: headers and contents begin at multiples of it (IEEE Std 1003.1, pax, "ustar")


def padded(length: int) -> int:
    """`length` bytes of an archive with what fills the last block."""
    return -(-length // BLOCK) * BLOCK


@dataclass(frozen=True, slots=True)
class Member:
    """One member. `path`: below the tree's root, without a slash at either end; the root itself is b""."""

    path: bytes
    kind: MemberKind
    mode: int  # permissions with setuid, setgid and sticky: mode & 0o7777
    user: int
    group: int
    size: int  # bytes of a file with its holes; 0 of everything else
    modified_ns: int  # since 1970, UTC
    changed_ns: int  # of the inode
    inode: int
    offset: int  # in the archive: where its headers begin
    header_bytes: int  # all that stands before its contents, the map of a sparse file included
    stored_bytes: int  # of its contents, without what fills the last block; fewer than `size`: it is sparse
    target: bytes = b""  # of a link as it stands there; of a hard link the path of the file; of a device "major:minor"
    torn: bool = False  # it went on changing while it was read

    @property
    def contents(self) -> int:
        """Where its contents begin in the archive."""
        return self.offset + self.header_bytes

    @property
    def end(self) -> int:
        """Where the next member begins."""
        return self.contents + padded(self.stored_bytes)


def place_of(path: bytes) -> bytes:
    """What members are in ascending order of: a folder, what is in it, and then the name after the folder's."""
    return path.replace(b"/", b"\0")
