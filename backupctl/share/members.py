"""The list of members of a capture of files, which stands beside its contents: one file is found without a scan.

    #backupctl members<TAB>1<TAB><shelf id><TAB><capture id><TAB><stream>
    <kind><TAB><mode><TAB><user><TAB><group><TAB><size><TAB><modified><TAB><changed><TAB><inode><TAB><offset><TAB>
        <header bytes><TAB><stored bytes><TAB><torn or -><TAB><target><TAB><path>
    #end<TAB><lines><TAB><XXH3-128 of all lines above>

In the order of the archive. The mode is octal; in target and path, a backslash, a tab, a line end and NUL stand as a
backslash and three octal digits. One zstd frame.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import xxhash
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.domain.members import BLOCK, Member, MemberKind, place_of
from backupctl.domain.record import MemberList
from backupctl.share.lines import lines_of
from backupctl.share.marks import FORMAT, ShelfMark
from backupctl.share.storage import Storage

_LINES_AT_ONCE = 4096
_LINES_MOST = 1 << 26
_LINE_MOST = 1 << 20  # a path has no limit but that of the system that it was read on
_BY_WORD: dict[bytes, MemberKind] = {
    b"file": "file",
    b"folder": "folder",
    b"link": "link",
    b"hard": "hard link",
    b"fifo": "fifo",
    b"char": "character device",
    b"block": "block device",
}
_WORDS = {kind: word for word, kind in _BY_WORD.items()}
_TO_ESCAPE, _ESCAPED = re.compile(rb"[\\\t\n\0]"), re.compile(rb"\\([0-3][0-7]{2})")


def members_name(capture: str, stream: int = 0) -> str:
    return f"captures/{capture}/members.{stream}.tsv.zst"


class MemberListWriter:
    """Writes the file line by line; `finish` syncs it. For use by one thread."""

    def __init__(self, storage: Storage, mark: ShelfMark, capture: str, stream: int = 0) -> None:
        """Raises OSError."""
        self._sink = storage.create(members_name(capture, stream))
        self._compressor = zstandard.ZstdCompressor(level=3, write_checksum=True).compressobj()
        self._lines = [_first(mark, capture, stream)]
        self._count = 0
        self._checksum = xxhash.xxh3_128()  # of the lines
        self._stored, self._stored_checksum = 0, xxhash.xxh3_128()  # of the file

    def add(self, member: Member, shift: int = 0) -> None:
        """`shift`: so many bytes behind its `offset`. Raises OSError."""
        self._lines.append(
            b"%b\t%o\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%b\t%b\t%b\n"
            % (
                _WORDS[member.kind], member.mode, member.user, member.group, member.size, member.modified_ns,
                member.changed_ns, member.inode, member.offset + shift, member.header_bytes, member.stored_bytes,
                b"torn" if member.torn else b"-", _escaped(member.target), _escaped(member.path),
            )
        )  # fmt: skip
        self._count += 1
        if len(self._lines) == _LINES_AT_ONCE:
            self._put_lines()

    def _put_lines(self) -> None:
        text = b"".join(self._lines)
        self._lines.clear()
        self._checksum.update(text)
        self._put(self._compressor.compress(text))

    def _put(self, data: bytes) -> None:
        if data:
            self._sink.write(data)
            self._stored_checksum.update(data)
            self._stored += len(data)

    def finish(self) -> MemberList:
        """Raises OSError."""
        self._put_lines()
        end = b"#end\t%d\t%b\n" % (self._count, self._checksum.hexdigest().encode())
        self._put(self._compressor.compress(end) + self._compressor.flush())
        self._sink.sync()
        return MemberList(self._count, self._stored, self._stored_checksum.hexdigest())

    def close(self) -> None:
        self._sink.close()


def write_members(
    storage: Storage, mark: ShelfMark, capture: str, members: Iterable[Member], stream: int = 0
) -> MemberList:
    """The whole list. Raises OSError."""
    writer = MemberListWriter(storage, mark, capture, stream)
    try:
        for member in members:
            writer.add(member)
        return writer.finish()
    finally:
        writer.close()


def read_members(storage: Storage, mark: ShelfMark, capture: str, stream: int = 0) -> Iterator[Member]:
    """The members, in order: places ascend, and so do paths by `place_of`.

    Raises Malformed, at the latest after the last one; OSError of the share.
    """
    name = members_name(capture, stream)
    lines = lines_of(storage, name, _LINE_MOST)
    first = next(lines, b"") + b"\n"
    if first != _first(mark, capture, stream):
        raise Malformed(name, 0, repr(_first(mark, capture, stream)), repr(first[:160]))
    checksum = xxhash.xxh3_128(first)
    count = end = 0
    before: bytes | None = None
    for line in lines:
        if line.startswith(b"#end\t"):
            if line != b"#end\t%d\t%b" % (count, checksum.hexdigest().encode()) or next(lines, None) is not None:
                raise Malformed(name, 0, f"'#end' for {count} lines with the right checksum", repr(line[:120]))
            return
        checksum.update(line)
        checksum.update(b"\n")
        count += 1  # noqa: SIM113 - the last line is none
        try:
            member = _parsed(line)
            place = place_of(member.path)
            if member.offset < end or count > _LINES_MOST or (before is not None and place <= before):
                raise ValueError
        except (ValueError, KeyError):
            raise Malformed(f"{name}, line {count + 1}", 0, "a member after the one before", repr(line[:120])) from None
        end, before = member.end, place
        yield member
    raise Malformed(name, 0, "a last line '#end'", "none: the file is truncated")


def _parsed(line: bytes) -> Member:
    kind, mode, *numbers, torn, target, path = line.split(b"\t")
    user, group, size, modified, changed, inode, offset, header_bytes, stored_bytes = map(int, numbers)
    member = Member(
        _plain(path), _BY_WORD[kind], int(mode, 8), user, group, size, modified, changed, inode, offset, header_bytes,
        stored_bytes, _plain(target), torn == b"torn",
    )  # fmt: skip
    if min(member.mode, user, group, size, inode, offset, header_bytes, stored_bytes) < 0 or member.mode > 0o7777:
        raise ValueError
    if offset % BLOCK or header_bytes % BLOCK or not header_bytes or torn not in (b"torn", b"-"):
        raise ValueError
    if stored_bytes and member.kind != "file":
        raise ValueError
    if member.path and not set(member.path.split(b"/")).isdisjoint((b"", b".", b"..")):
        raise ValueError
    return member


def _first(mark: ShelfMark, capture: str, stream: int) -> bytes:
    return f"#backupctl members\t{FORMAT}\t{mark.id}\t{capture}\t{stream}\n".encode()


def _escaped(text: bytes) -> bytes:
    return _TO_ESCAPE.sub(lambda found: b"\\%03o" % found[0][0], text)


def _plain(text: bytes) -> bytes:
    return _ESCAPED.sub(lambda found: bytes([int(found[1], 8)]), text)
