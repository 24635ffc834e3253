"""Headers of a pax archive, as IEEE Std 1003.1 has them ("pax Interchange Format"), for what a file system holds.

Times in nanoseconds, owners by number and name, extended attributes and access control lists by the keywords that GNU
tar and libarchive read (`SCHILY.xattr.*`, `SCHILY.acl.*`), sparse files in the format that GNU tar calls PAX 1.0. What
comes out depends on what goes in alone: not on when, or by whom, the archive is made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from backupctl.domain.members import BLOCK, MemberKind, padded
from backupctl.formats.posix_acl import ACCESS, DEFAULT, acl_text

END = bytes(2 * BLOCK)  # of an archive

_TYPES: dict[MemberKind, bytes] = {
    "file": b"0",
    "hard link": b"1",
    "link": b"2",
    "character device": b"3",
    "block device": b"4",
    "folder": b"5",
    "fifo": b"6",
}
_EXTENDED = b"x"
_NAME_MOST, _PREFIX_MOST, _LINK_MOST = 100, 155, 100
_OWNER_NAME_MOST = 31  # with the NUL behind it
_ID_MOST, _SIZE_MOST = 0o7777777, 0o77777777777  # seven and eleven octal digits
_DEVICE_MOST = 0o7777777
_SECOND = 1_000_000_000
_LISTS = {ACCESS: b"SCHILY.acl.access", DEFAULT: b"SCHILY.acl.default"}
_ATTRIBUTE = b"SCHILY.xattr."


@dataclass(frozen=True, slots=True)
class Meta:
    """What a header says of a file. `pieces`: offset and length of what a sparse file holds; None: it has no holes."""

    path: bytes  # as `domain.members.Member.path`
    kind: MemberKind
    mode: int
    user: int
    group: int
    size: int
    modified_ns: int
    target: bytes = b""
    user_name: bytes = b""
    group_name: bytes = b""
    attributes: Mapping[bytes, bytes] = field(default_factory=dict)  # by full name, lists among them
    pieces: Sequence[tuple[int, int]] | None = None

    @property
    def stored_bytes(self) -> int:
        """Of its contents in the archive."""
        if self.kind != "file":
            return 0
        return self.size if self.pieces is None else sum(length for _, length in self.pieces)


def name_in_archive(path: bytes, kind: MemberKind) -> bytes:
    """As the archive has it: what is a folder ends in a slash."""
    return (path or b".") + (b"/" if kind == "folder" else b"")


def headers(meta: Meta) -> bytes:
    """All that stands before the contents. Raises Malformed for an access control list that is none."""
    map_block = sparse_map(meta.pieces, meta.size) if meta.pieces is not None else b""
    name = name_in_archive(meta.path, meta.kind)
    shown = _sparse_name(meta.path) if map_block else name
    stored = meta.stored_bytes + len(map_block)
    records = dict(_records(meta, name, stored))
    if map_block:
        records |= {
            b"GNU.sparse.major": b"1",
            b"GNU.sparse.minor": b"0",
            b"GNU.sparse.name": name,
            b"GNU.sparse.realsize": b"%d" % meta.size,
        }
        records.pop(b"path", None)
        if _split(shown) is None:
            records[b"path"] = shown
    extended = b""
    if records:
        if any(not _is_utf8(value) for key, value in records.items() if key in _NAMES):
            records = {b"hdrcharset": b"BINARY", **records}
        body = b"".join(_record(key, value) for key, value in records.items())
        extended = _ustar(b"PaxHeaders/" + name[-_NAME_MOST + 11 :].lstrip(b"/"), _EXTENDED, 0o644, 0, 0, len(body), 0)
        extended += body.ljust(padded(len(body)), b"\0")
    return extended + _own_header(meta, shown, stored) + map_block


_NAMES = {b"path", b"linkpath", b"uname", b"gname", b"GNU.sparse.name"}


def _records(meta: Meta, name: bytes, stored: int) -> Iterator[tuple[bytes, bytes]]:
    if not name.isascii() or _split(name) is None:
        yield b"path", name
    if meta.kind in ("link", "hard link") and (not meta.target.isascii() or len(meta.target) > _LINK_MOST):
        yield b"linkpath", meta.target
    if stored > _SIZE_MOST:
        yield b"size", b"%d" % stored
    for key, number in ((b"uid", meta.user), (b"gid", meta.group)):
        if number > _ID_MOST:
            yield key, b"%d" % number
    for key, text in ((b"uname", meta.user_name), (b"gname", meta.group_name)):
        if not text.isascii() or len(text) > _OWNER_NAME_MOST:
            yield key, text
    seconds, rest = divmod(meta.modified_ns, _SECOND)
    if rest or not 0 <= seconds <= _SIZE_MOST:
        yield b"mtime", _time(meta.modified_ns)
    for attribute in sorted(meta.attributes):
        value = meta.attributes[attribute]
        if attribute in _LISTS:
            yield _LISTS[attribute], acl_text(value)
        else:
            # As GNU tar does it: a keyword ends with the first "=".
            yield _ATTRIBUTE + attribute.replace(b"%", b"%25").replace(b"=", b"%3D"), value


def _record(key: bytes, value: bytes) -> bytes:
    """`length key=value\\n`, of which the length counts itself."""
    rest = len(key) + len(value) + 3
    length = rest + len(str(rest))
    length = rest + len(str(length))
    return b"%d %b=%b\n" % (length, key, value)


def _time(nanoseconds: int) -> bytes:
    """Decimal seconds, exactly."""
    sign, whole = (b"-", -nanoseconds) if nanoseconds < 0 else (b"", nanoseconds)
    seconds, rest = divmod(whole, _SECOND)
    return b"%b%d.%09d" % (sign, seconds, rest) if rest else b"%b%d" % (sign, seconds)


def _split(name: bytes) -> tuple[bytes, bytes] | None:
    """Prefix and name as a ustar header has room for them; None if it has not, or if it could not be told apart."""
    if len(name) <= _NAME_MOST:
        return b"", name
    at = name.rfind(b"/", 0, min(len(name) - 1, _PREFIX_MOST + 1))
    if at <= 0 or len(name) - at - 1 > _NAME_MOST:
        return None
    return name[:at], name[at + 1 :]


def _own_header(meta: Meta, name: bytes, stored: int) -> bytes:
    prefix, short = _split(name) or (b"", name[:_NAME_MOST])
    seconds = meta.modified_ns // _SECOND
    device = (0, 0)
    if meta.kind in ("character device", "block device"):
        major, _, minor = meta.target.partition(b":")
        device = (min(int(major), _DEVICE_MOST), min(int(minor), _DEVICE_MOST))
    return _ustar(
        short, _TYPES[meta.kind], meta.mode, meta.user if meta.user <= _ID_MOST else 0,
        meta.group if meta.group <= _ID_MOST else 0, stored if stored <= _SIZE_MOST else 0,
        seconds if 0 <= seconds <= _SIZE_MOST else 0,
        link=meta.target[:_LINK_MOST] if meta.kind in ("link", "hard link") else b"",
        names=(meta.user_name[:_OWNER_NAME_MOST], meta.group_name[:_OWNER_NAME_MOST]), device=device, prefix=prefix,
    )  # fmt: skip


def _ustar(
    name: bytes, type_flag: bytes, mode: int, user: int, group: int, size: int, seconds: int, *, link: bytes = b"",
    names: tuple[bytes, bytes] = (b"", b""), device: tuple[int, int] = (0, 0), prefix: bytes = b"",
) -> bytes:  # fmt: skip
    text = b"%b%07o\0%07o\0%07o\0%011o\0%011o\0        %b%bustar\00000%b%b%07o\0%07o\0%b" % (
        name.ljust(100, b"\0"), mode, user, group, size, seconds, type_flag, link.ljust(100, b"\0"),
        names[0].ljust(32, b"\0"), names[1].ljust(32, b"\0"), *device, prefix.ljust(155, b"\0"),
    )  # fmt: skip
    return b"%b%06o\0 %b" % (text[:148], sum(text), text[156:].ljust(BLOCK - 156, b"\0"))


def sparse_map(pieces: Sequence[tuple[int, int]], size: int) -> bytes:
    """What stands before the contents of a sparse file: the number of pieces, then offset and length of each.

    One that ends in a hole has a last piece of no length, so that readers give it its size.
    """
    listed = list(pieces)
    if not listed or sum(listed[-1]) < size:
        listed.append((size, 0))
    text = b"%d\n" % len(listed) + b"".join(b"%d\n%d\n" % piece for piece in listed)
    return text.ljust(padded(len(text)), b"\0")


def _sparse_name(path: bytes) -> bytes:
    """What a reader that knows nothing of sparse files calls it."""
    folder, _, name = path.rpartition(b"/")
    return b"/".join(part for part in (folder, b"GNUSparseFile.0", name) if part)


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode()
    except UnicodeDecodeError:
        return False
    return True
