"""What a file of a tree becomes in an archive: its member, and the header that says so."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from backupctl.board.tree_files import open_file
from backupctl.board.tree_walk import Found
from backupctl.domain.members import BLOCK, Member, MemberKind, padded
from backupctl.formats.pax import Meta, headers
from backupctl.operations.capturing.segmenting import Segment, SegmentMaker

if TYPE_CHECKING:
    from backupctl.operations.capturing.large_file import LargeFile

Pieces = Sequence[tuple[int, int]]

_TABLE_MOST = 1 << 24  # bytes of passwd(5) that are read


@dataclass(frozen=True)
class Owners:
    """Names of users and groups, by number."""

    users: Mapping[int, bytes]
    groups: Mapping[int, bytes]


def owners_of(root: bytes) -> Owners:
    """As the tree's own passwd(5) and group(5) have them; else this system's."""
    return Owners(_names(root, b"passwd"), _names(root, b"group"))


def _names(root: bytes, table: bytes) -> dict[int, bytes]:
    for place in (root, b"/"):
        try:
            with open(place.rstrip(b"/") + b"/etc/" + table, "rb") as file:
                lines = [line.split(b":") for line in file.read(_TABLE_MOST).splitlines()]
        except OSError:
            continue
        return {int(fields[2]): fields[0] for fields in reversed(lines) if len(fields) > 2 and fields[2].isdigit()}
    return {}


@dataclass(frozen=True, slots=True)
class Entry:
    """Something found, what it is in the archive, and the member of the capture before if it is as it was then."""

    found: Found
    kind: MemberKind
    target: bytes
    earlier: Member | None
    seen_before: bool  # there was something of that name in the capture before

    @property
    def expected(self) -> int:
        """Bytes of the archive that it will take up, about."""
        return BLOCK + (padded(self.found.status.st_size) if self.kind == "file" else 0)


@dataclass(slots=True)
class Read:
    """What came of entries: members, whose offsets are from `begins` on, and segments."""

    members: list[Member]
    segments: list[Segment]
    begins: int = 0
    seen_before: bool = False
    read_bytes: int = 0
    lost: list[tuple[bytes, OSError]] = field(default_factory=list)  # could not be captured at all
    hurt: list[bytes] = field(default_factory=list)  # files of which the disk lost bytes
    parted: list[bytes] = field(default_factory=list)  # hold another file by now than the one that was found
    entries: Sequence[Entry] = ()  # what it came of, where hard links are among them
    large: LargeFile | None = None  # the file that it is a stretch of
    is_last: bool = True  # of that file


@dataclass(frozen=True)
class MemberMaking:
    """`limit` hears of bytes that were read. For use by several threads."""

    owners: Owners
    maker: SegmentMaker
    limit: Callable[[int], None]

    def make(
        self, entry: Entry, status: os.stat_result, size: int, attributes: Mapping[bytes, bytes],
        pieces: Pieces | None = None, offset: int = 0, torn: bool = False,
    ) -> tuple[Member, bytes]:  # fmt: skip
        """The member and all that stands before its contents. `size`: of a file. Raises Malformed for a bad ACL."""
        meta = Meta(
            entry.found.path, entry.kind, stat.S_IMODE(status.st_mode), status.st_uid, status.st_gid, size,
            status.st_mtime_ns, entry.target, self.owners.users.get(status.st_uid, b""),
            self.owners.groups.get(status.st_gid, b""), attributes, pieces,
        )  # fmt: skip
        head = headers(meta)
        member = Member(
            meta.path, meta.kind, meta.mode, meta.user, meta.group, size, meta.modified_ns, status.st_ctime_ns,
            status.st_ino, offset, len(head), meta.stored_bytes, meta.target, torn,
        )  # fmt: skip
        return member, head


def opened(found: Found) -> int:
    """A descriptor of a file that was found. Raises OSError; FileNotFoundError if something else has its name."""
    descriptor = open_file(found.within, found.name)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise FileNotFoundError(found.path)
    return descriptor


def is_unchanged(one: os.stat_result, other: os.stat_result) -> bool:
    """Whether nobody wrote to a file between the two."""
    return (one.st_size, one.st_mtime_ns, one.st_ctime_ns) == (other.st_size, other.st_mtime_ns, other.st_ctime_ns)
