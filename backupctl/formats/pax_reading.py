"""Members of a pax archive, read by position: what their headers say, and where their contents stand.

Reads what `formats.pax` writes, and what GNU tar and Python's tarfile make of the same files in this format. Sources:
IEEE Std 1003.1, pax, "ustar Interchange Format" and "pax Extended Header"; GNU tar's manual, "Storing Sparse Files",
PAX format version 1.0, and its xattrs.c for the keywords of attributes. An archive with global headers, or with what
older formats did for long names, is refused: it is none of ours.
"""

from __future__ import annotations

import re
from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

from backupctl.domain.errors import Malformed
from backupctl.domain.members import BLOCK, Member, MemberKind, padded
from backupctl.formats.file_tree import Piece
from backupctl.formats.pax import Meta
from backupctl.formats.posix_acl import ACCESS, DEFAULT, acl_attribute
from backupctl.formats.reader import ReadAt

_KINDS: dict[bytes, MemberKind] = {
    b"0": "file",
    b"\0": "file",
    b"7": "file",  # "contiguous", to be taken for a file where that means nothing
    b"1": "hard link",
    b"2": "link",
    b"3": "character device",
    b"4": "block device",
    b"5": "folder",
    b"6": "fifo",
}
_ZEROS = bytes(BLOCK)
_EXTENDED_MOST = 16 << 20  # bytes of one extended header: attributes have at most 64 KiB each, and are few
_ATTRIBUTES_MOST = 1 << 14  # their names have at most 64 KiB in all (XATTR_LIST_MAX, <linux/limits.h>)
_PIECES_MOST = 1 << 22
_MAP_AT_ONCE = 4096
_SIZE_MOST = 1 << 60
_SECONDS_MOST = 1 << 62
_ID_MOST = 0xFFFFFFFE  # the next one means "nobody is named" to chown(2)
_SECOND = 1_000_000_000
_ATTRIBUTE = b"SCHILY.xattr."
_LISTS = {b"SCHILY.acl.access": ACCESS, b"SCHILY.acl.default": DEFAULT}
_KNOWN = frozenset(
    [
        *(b"path", b"linkpath", b"size", b"uid", b"gid", b"uname", b"gname", b"mtime", *_LISTS),
        *(b"GNU.sparse.major", b"GNU.sparse.minor", b"GNU.sparse.name", b"GNU.sparse.realsize"),
    ]
)
_OCTAL, _DECIMAL = re.compile(rb" *([0-7]*)[ \0]*"), re.compile(rb"\d{1,20}")
_TIME = re.compile(rb"(-?)(\d{1,20})(?:\.(\d{0,20}))?")
_LENGTH = re.compile(rb"(\d{1,9}) ")


class Pieces(Sequence[tuple[int, int]]):
    """Offset and length of each piece that a sparse file holds, in order."""

    def __init__(self) -> None:
        self._offsets, self._lengths, self._stored = array("Q"), array("Q"), array("Q", [0])

    @property
    def stored_bytes(self) -> int:
        return self._stored[-1]

    def append(self, offset: int, length: int) -> None:
        self._offsets.append(offset)
        self._lengths.append(length)
        self._stored.append(self._stored[-1] + length)

    def __len__(self) -> int:
        return len(self._offsets)

    @overload
    def __getitem__(self, at: int) -> tuple[int, int]: ...

    @overload
    def __getitem__(self, at: slice) -> list[tuple[int, int]]: ...

    def __getitem__(self, at: int | slice) -> tuple[int, int] | list[tuple[int, int]]:
        if isinstance(at, slice):
            return list(zip(self._offsets[at], self._lengths[at], strict=True))
        return self._offsets[at], self._lengths[at]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and list(self) == list(other)

    __hash__ = None  # type: ignore[assignment]

    def within(self, start: int, end: int, contents: int) -> Iterator[Piece]:
        """What of the bytes `[start, end)` of the file is stored, where its contents begin at byte `contents`."""
        at = max(bisect_right(self._offsets, start) - 1, 0)
        while at < len(self._offsets) and self._offsets[at] < end:
            low = max(self._offsets[at], start)
            high = min(self._offsets[at] + self._lengths[at], end)
            if low < high:
                yield Piece(low, contents + self._stored[at] + low - self._offsets[at], high - low)
            at += 1


@dataclass(frozen=True, slots=True)
class PaxMember:
    """A member as its headers have it. `meta.path` and a hard link's target lead nowhere but below the root."""

    meta: Meta
    offset: int  # in the archive, of its first header
    header_bytes: int

    @property
    def contents(self) -> int:
        return self.offset + self.header_bytes

    @property
    def end(self) -> int:
        return self.contents + padded(self.meta.stored_bytes)

    def pieces(self, start: int, end: int) -> Iterator[Piece]:
        """Where the bytes `[start, end)` of a file stand in the archive."""
        end = min(end, self.meta.size)
        if isinstance(self.meta.pieces, Pieces):
            yield from self.meta.pieces.within(start, end, self.contents)
        elif start < end:
            yield Piece(start, self.contents + start, end - start)

    def listed(self) -> Member:
        """As a list of members has it; what only the file system knew is 0."""
        meta = self.meta
        return Member(
            meta.path, meta.kind, meta.mode, meta.user, meta.group, meta.size, meta.modified_ns, 0, 0, self.offset,
            self.header_bytes, meta.stored_bytes, meta.target,
        )  # fmt: skip


def read_member(reader: ReadAt, offset: int) -> PaxMember:
    """The member whose first header begins at byte `offset`. Raises Malformed, OSError of the reader."""
    head = _checked(reader.read_at(offset, BLOCK), offset)
    at, records, attributes = offset + BLOCK, dict[bytes, bytes](), dict[bytes, bytes]()
    if head[156:157] == b"x":
        length = _octal(head, 124, 12, offset)
        if not length <= _EXTENDED_MOST:
            raise Malformed("extended header", offset, f"at most {_EXTENDED_MOST} bytes", str(length))
        raw = reader.read_at(at, padded(length) + BLOCK)
        records, attributes = _records(memoryview(raw)[:length].tobytes(), at)
        at += padded(length) + BLOCK
        head = _checked(raw[-BLOCK:], at - BLOCK)
    kind = _KINDS.get(head[156:157])
    if kind is None:
        raise Malformed("header of an archive", at - BLOCK, "a member of a kind that is known", repr(head[156:157]))
    stored = _number(records, b"size", _octal(head, 124, 12, at), _SIZE_MOST, at)
    if stored and kind != "file":
        raise Malformed("header of an archive", at - BLOCK, f"no contents of a {kind}", f"{stored} bytes")
    name, size, pieces = _name_of(records, head), stored, None
    if b"GNU.sparse.major" in records:
        name, size = records.get(b"GNU.sparse.name", name), _sparse_size(records, kind, at)
        pieces, map_bytes = _sparse_map(reader, at, stored, size)
        at += map_bytes
        if pieces.stored_bytes != stored - map_bytes:
            raise Malformed("map of a sparse file", at, f"pieces of {stored - map_bytes}", f"{pieces.stored_bytes}")
    meta = Meta(
        _path(name, kind, offset), kind, _octal(head, 100, 8, at) & 0o7777,
        _number(records, b"uid", _octal(head, 108, 8, at), _ID_MOST, at),
        _number(records, b"gid", _octal(head, 116, 8, at), _ID_MOST, at), size, _modified(records, head, at),
        _target(records, head, kind, offset), records.get(b"uname", _text(head, 265, 32)),
        records.get(b"gname", _text(head, 297, 32)), attributes, pieces,
    )  # fmt: skip
    member = PaxMember(meta, offset, at - offset)
    if member.end > reader.size:
        raise Malformed("archive", member.contents, f"{meta.stored_bytes} bytes of contents", "the end of the archive")
    return member


def read_archive(reader: ReadAt) -> Iterator[PaxMember]:
    """All members, in order, to the two zero blocks that end an archive. Raises as `read_member` does."""
    offset = 0
    while reader.read_at(offset, BLOCK) != _ZEROS:
        member = read_member(reader, offset)
        yield member
        offset = member.end
    if reader.read_at(offset + BLOCK, BLOCK) != _ZEROS:
        raise Malformed("archive", offset + BLOCK, "a second block of zeros, the end", "something else")


def _checked(head: bytes, offset: int) -> bytes:
    """A header, whose sum is that of its bytes with blanks in place of the sum itself."""
    if head[257:265] != b"ustar\x0000":
        raise Malformed("header of an archive", offset + 257, "'ustar' and version 00", repr(head[257:265]))
    found = sum(head) - sum(head[148:156]) + 8 * ord(" ")
    if _octal(head, 148, 8, offset) != found:
        raise Malformed("header of an archive", offset + 148, f"the sum {found:o}", repr(head[148:156]))
    return head


def _octal(head: bytes, at: int, length: int, offset: int) -> int:
    found = _OCTAL.fullmatch(head, at, at + length)
    if found is None:
        raise Malformed("header of an archive", offset, "an octal number", repr(head[at : at + length]))
    return int(found[1] or b"0", 8)


def _text(head: bytes, at: int, length: int) -> bytes:
    return head[at : at + length].partition(b"\0")[0]


def _records(body: bytes, offset: int) -> tuple[dict[bytes, bytes], dict[bytes, bytes]]:
    """What is known of the records of an extended header, and the attributes among them by full name."""
    records: dict[bytes, bytes] = {}
    attributes: dict[bytes, bytes] = {}
    at = 0
    while at < len(body):
        length = _LENGTH.match(body, at)
        end = at + int(length[1]) if length else at
        equals = body.find(b"=", at, end)
        if length is None or end > len(body) or not length.end() < equals or body[end - 1 : end] != b"\n":
            raise Malformed("extended header", offset + at, "a record 'length key=value'", repr(body[at : at + 60]))
        key, value = body[length.end() : equals], body[equals + 1 : end - 1]
        if key.startswith(_ATTRIBUTE):
            name = key[len(_ATTRIBUTE) :].replace(b"%3D", b"=").replace(b"%25", b"%")
            if not name or b"\0" in name or len(attributes) == _ATTRIBUTES_MOST:
                raise Malformed("extended header", offset + at, "an attribute's name, of a few", repr(key[:80]))
            attributes[name] = value
        elif key in _KNOWN:
            records.pop(key, None)
            if value:  # one without a value takes away an earlier one
                records[key] = value
        at = end
    attributes |= {name: acl_attribute(records.pop(key)) for key, name in _LISTS.items() if key in records}
    return records, attributes


def _number(records: dict[bytes, bytes], key: bytes, otherwise: int, most: int, offset: int) -> int:
    text = records.get(key)
    if text is not None and not _DECIMAL.fullmatch(text):
        raise Malformed("extended header", offset, f"a number for {key.decode()}", repr(text[:40]))
    found = otherwise if text is None else int(text)
    if found > most:
        raise Malformed("extended header", offset, f"at most {most} for {key.decode()}", str(found))
    return found


def _modified(records: dict[bytes, bytes], head: bytes, offset: int) -> int:
    """Nanoseconds; digits beyond them are passed over."""
    text = records.get(b"mtime")
    if text is None:
        return _octal(head, 136, 12, offset) * _SECOND
    found = _TIME.fullmatch(text)
    if found is None or int(found[2]) > _SECONDS_MOST:
        raise Malformed("extended header", offset, "a time in seconds", repr(text[:60]))
    whole = int(found[2]) * _SECOND + int((found[3] or b"")[:9].ljust(9, b"0"))
    return -whole if found[1] else whole


def _name_of(records: dict[bytes, bytes], head: bytes) -> bytes:
    if b"path" in records:
        return records[b"path"]
    prefix = _text(head, 345, 155)
    return (prefix + b"/" if prefix else b"") + _text(head, 0, 100)


def _path(name: bytes, kind: MemberKind, offset: int) -> bytes:
    """Below the root, as `domain.members.Member.path`. Raises Malformed for what leads anywhere else."""
    plain = name.removesuffix(b"/") if kind == "folder" else name
    if plain == b"." and kind == "folder":
        return b""
    plain = plain.removeprefix(b"./")
    if b"\0" in plain or not set(plain.split(b"/")).isdisjoint((b"", b".", b"..")):
        raise Malformed("header of an archive", offset, "a path below the root", repr(name[:120]))
    return plain


def _target(records: dict[bytes, bytes], head: bytes, kind: MemberKind, offset: int) -> bytes:
    if kind in ("character device", "block device"):
        return b"%d:%d" % (_octal(head, 329, 8, offset), _octal(head, 337, 8, offset))
    if kind not in ("link", "hard link"):
        return b""
    target = records.get(b"linkpath", _text(head, 157, 100))
    if kind == "hard link":
        return _path(target, kind, offset)
    if not target or b"\0" in target:
        raise Malformed("header of an archive", offset, "where a link points to", repr(target[:120]))
    return target


def _sparse_size(records: dict[bytes, bytes], kind: MemberKind, offset: int) -> int:
    version = records[b"GNU.sparse.major"], records.get(b"GNU.sparse.minor")
    if version != (b"1", b"0") or kind != "file" or b"GNU.sparse.realsize" not in records:
        raise Malformed("extended header", offset, "a sparse file of version 1.0, with its size", repr(version))
    return _number(records, b"GNU.sparse.realsize", 0, _SIZE_MOST, offset)


def _sparse_map(reader: ReadAt, at: int, room: int, size: int) -> tuple[Pieces, int]:
    """The pieces of a sparse file of `size` bytes, and the length of their map, which stands at byte `at`."""
    lines = _lines(reader, at, at + room)
    line = next(lines)
    used, pieces, end = len(line) + 1, Pieces(), 0
    for number in range(_decimal(line, at, _PIECES_MOST)):
        texts = next(lines), next(lines)
        used += sum(map(len, texts)) + 2
        offset, length = (_decimal(text, at, size) for text in texts)
        if offset < end or offset + length > size:
            raise Malformed("map of a sparse file", at, f"piece {number} in {end} to {size}", f"{offset}, {length}")
        end = offset + length
        if length:  # one of no length tells where the file ends
            pieces.append(offset, length)
    return pieces, padded(used)


def _lines(reader: ReadAt, at: int, end: int) -> Iterator[bytes]:
    rest = b""
    while at < end:
        raw = reader.read_at(at, min(_MAP_AT_ONCE, end - at))
        at += len(raw)
        *lines, rest = (rest + raw).split(b"\n")
        yield from lines
        if len(rest) > _MAP_AT_ONCE:
            break
    raise Malformed("map of a sparse file", at, "its next line", "the end of the file's contents")


def _decimal(text: bytes, offset: int, most: int) -> int:
    if not _DECIMAL.fullmatch(text) or int(text) > most:
        raise Malformed("map of a sparse file", offset, f"a number of at most {most}", repr(text[:40]))
    return int(text)
