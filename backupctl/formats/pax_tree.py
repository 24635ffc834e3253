"""The files in a pax archive as a tree, by the list of its members: nothing of the archive is read but what is asked.

Of a million members there is no object in memory, but 50 bytes in arrays and the last name of the path.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache

from backupctl.domain.errors import Malformed
from backupctl.domain.members import Member, MemberKind
from backupctl.formats.file_tree import Kind, Node, Piece, read_pieces
from backupctl.formats.pax_reading import PaxMember, read_member
from backupctl.formats.reader import ReadAt

_KINDS: tuple[Kind, ...] = ("file", "folder", "link", "fifo", "character device", "block device")
_HARD_LINK = len(_KINDS)
_NUMBERS: dict[MemberKind, int] = {kind: number for number, kind in enumerate((*_KINDS, "hard link"))}  # type: ignore[misc]
_MODE_BITS = 12
_SECOND = 1_000_000_000
_NOBODY = 0xFFFFFFFF
_DEEPEST = 4096  # a path that the kernel takes has no more names (PATH_MAX, <linux/limits.h>)
_HEADERS_KEPT = 8
_OPEN = 0  # in place of the end of a folder that more may be in


class PaxTree:
    """A `FileTree`. A member's number is its place in the list; a hard link has that of the member it names.

    What is read of a member has to be what the list says of it: its headers are looked at first.
    """

    def __init__(self, reader: ReadAt, members: Iterable[Member]) -> None:
        """`members`: in order, the root first. Raises Malformed for a list of what no folder can hold."""
        self.warnings: tuple[str, ...] = ()
        self._reader = reader
        self._parents, self._ends = array("I"), array("I")  # ends: the number behind the last one below a folder
        self._names, self._name_ends = bytearray(), array("I")  # of the last name of each path
        self._modes, self._users, self._groups = array("H"), array("I"), array("I")  # modes: with the kind above them
        # A file's bytes; a link's target's; a device's numbers; of a hard link the number of the member it names.
        self._sizes = array("Q")
        self._seconds, self._nanoseconds, self._offsets = array("q"), array("I"), array("Q")
        self._more_links: Counter[int] = Counter()
        self.torn: set[int] = set()  # numbers of files that went on changing while they were read
        self._load(members)
        self._member = lru_cache(_HEADERS_KEPT)(self._read_member)

    def __len__(self) -> int:
        return len(self._parents)

    @property
    def file_bytes(self) -> int:
        """Of all files, holes among them."""
        return sum(size for mode, size in zip(self._modes, self._sizes, strict=True) if not mode >> _MODE_BITS)

    def _load(self, members: Iterable[Member]) -> None:
        open_folders: list[tuple[int, bytes]] = []
        last_names: list[bytes] = []  # in each of them
        for member in members:
            number, (folder, _, name) = len(self._parents), member.path.rpartition(b"/")
            while open_folders and (open_folders[-1][1] != folder or not member.path):
                self._ends[open_folders.pop()[0]] = number
                last_names.pop()
            if not open_folders and (number or member.path or member.kind != "folder"):
                raise _wrong(member, "its folder before it, and the root, a folder, first")
            if open_folders:
                if name <= last_names[-1]:
                    raise _wrong(member, f"a name after {last_names[-1]!r}")
                last_names[-1] = name
            try:
                self._add(member, open_folders[-1][0] if open_folders else 0, name)
            except (OverflowError, ValueError):
                raise _wrong(member, "numbers that a file can have") from None
            if member.kind == "folder":
                open_folders.append((number, member.path))
                last_names.append(b"")
                if len(open_folders) > _DEEPEST:
                    raise _wrong(member, f"at most {_DEEPEST} folders in each other")
        for number, _ in open_folders:
            self._ends[number] = len(self._parents)
        if not self._parents:
            raise Malformed("list of members", 0, "the root", "nothing")

    def _add(self, member: Member, parent: int, name: bytes) -> None:
        """Raises OverflowError, ValueError for numbers that make no sense."""
        if _NOBODY in (member.user, member.group):
            raise ValueError
        kind, size = _NUMBERS[member.kind], member.size
        if kind == _HARD_LINK:
            size = self._named(member)
            self._more_links[size] += 1
        elif member.kind == "link":
            size = len(member.target)
        elif member.kind in ("character device", "block device"):
            major, minor = map(int, member.target.split(b":"))
            size = major << 32 | array("I", [minor])[0]
        if member.torn:
            self.torn.add(len(self._parents))
        seconds, nanoseconds = divmod(member.modified_ns, _SECOND)
        self._modes.append(kind << _MODE_BITS | member.mode)
        self._users.append(member.user)
        self._groups.append(member.group)
        self._sizes.append(size)
        self._seconds.append(seconds)
        self._nanoseconds.append(nanoseconds)
        self._offsets.append(member.offset)
        self._names += name
        self._name_ends.append(len(self._names))
        self._ends.append(_OPEN if member.kind == "folder" else len(self._parents) + 1)
        self._parents.append(parent)

    def _named(self, member: Member) -> int:
        """The number of the file that a hard link is another name of: one that came before, so there are no loops."""
        number = 0
        for name in member.target.split(b"/"):
            number = self._child(number, name)
            if number < 0:
                raise _wrong(member, f"a link to a member before it, as {member.target!r} is none")
        if self._kind(number) in (_NUMBERS["folder"], _HARD_LINK):
            raise _wrong(member, "a link to a file")
        return number

    def _kind(self, number: int) -> int:
        return self._modes[number] >> _MODE_BITS

    def _name(self, number: int) -> bytes:
        return bytes(self._names[self._name_ends[number - 1] if number else 0 : self._name_ends[number]])

    def _child(self, folder: int, name: bytes) -> int:
        """The number of what has that name in the folder; -1 if nothing has."""
        low, high = folder + 1, self._ends[folder] or len(self._parents)
        while low < high:
            middle = (low + high) // 2
            while self._parents[middle] != folder:
                middle = self._parents[middle]
            found = self._name(middle)
            if found == name:
                return middle
            if found < name:
                low = self._ends[middle] or len(self._parents)
            else:
                high = middle
        return -1

    def path(self, number: int) -> bytes:
        """As `domain.members.Member.path`."""
        names = []
        while number:
            names.append(self._name(number))
            number = self._parents[number]
        return b"/".join(reversed(names))

    @property
    def root(self) -> Node:
        return self.node(0)

    def names(self, folder: Node) -> Iterator[tuple[bytes, int]]:
        number, end = folder.number + 1, self._ends[folder.number]
        while number < end:
            yield self._name(number), self._sizes[number] if self._kind(number) == _HARD_LINK else number
            number = self._ends[number]

    def node(self, number: int) -> Node:
        mode, size = self._modes[number], self._sizes[number]
        kind = _KINDS[mode >> _MODE_BITS]
        is_device = kind in ("character device", "block device")
        return Node(
            number, kind, mode & (1 << _MODE_BITS) - 1, self._users[number], self._groups[number],
            0 if is_device else size, self._seconds[number] * _SECOND + self._nanoseconds[number],
            1 + self._more_links.get(number, 0), (size >> 32, size & 0xFFFFFFFF) if is_device else None,
        )  # fmt: skip

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        for name, number in self.names(folder):
            yield name, self.node(number)

    def find(self, folder: Node, name: bytes) -> Node | None:
        number = self._child(folder.number, name) if folder.kind == "folder" else -1
        if number >= 0 and self._kind(number) == _HARD_LINK:
            number = self._sizes[number]
        return self.node(number) if number >= 0 else None

    def pieces(self, file: Node, start: int = 0, end: int | None = None) -> Iterator[Piece]:
        return self._member(file.number).pieces(start, file.size if end is None else end)

    def read(self, file: Node, offset: int, length: int) -> bytes:
        length = max(0, min(length, file.size - offset))
        return read_pieces(self._reader, self.pieces(file, offset, offset + length), offset, length)

    def target(self, link: Node) -> bytes:
        return self._member(link.number).meta.target

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        return self._member(node.number).meta.attributes

    def _read_member(self, number: int) -> PaxMember:
        """By its headers in the archive. Raises Malformed where they are not those of the list."""
        found, node = read_member(self._reader, self._offsets[number]), self.node(number)
        meta = found.meta
        size = len(meta.target) if meta.kind == "link" else meta.size
        device = f"{node.device[0]}:{node.device[1]}".encode() if node.device else None
        pairs = {
            "path": (self.path(number), meta.path),
            "kind": (node.kind, meta.kind),
            "mode": (node.mode, meta.mode),
            "owner": ((node.user, node.group), (meta.user, meta.group)),
            "size": (node.size, size),
            "time": (node.modified_ns, meta.modified_ns),
            "device": (device, meta.target if node.device else None),
        }
        for what, (listed, said) in pairs.items():
            if listed != said:
                raise Malformed(
                    "header of an archive", found.offset, f"{what} {listed!r}, as in the list of members", repr(said)
                )
        return found


def _wrong(member: Member, expected: str) -> Malformed:
    return Malformed("list of members", member.offset, expected, f"{member.kind} {member.path[:200]!r}")
