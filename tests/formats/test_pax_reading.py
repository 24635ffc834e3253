"""Archives read back, against the folders that GNU tar and Python's tarfile made them of."""

from __future__ import annotations

import os
import random
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.domain.members import padded
from backupctl.formats.file_tree import FileTree
from backupctl.formats.pax import END, Meta, headers
from backupctl.formats.pax_reading import Pieces, read_archive, read_member
from backupctl.formats.pax_tree import PaxTree
from backupctl.formats.posix_acl import ACCESS
from backupctl.formats.reader import BytesReader, ReadAt, check_bounds
from tests.formats.ext4_images import FileReader
from tests.formats.test_pax_headers import metas
from tests.real_tree import attributes, described, make_odd, make_tree
from tests.tar_archives import make_archive
from tests.tree_reading import describe, walk

pytestmark = pytest.mark.formats

LONG = "/".join(("d" * 200, "e" * 200, "\N{SNOWMAN}" * 60))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_tree(tmp_path_factory.mktemp("folder"), 60)
    os.setxattr(folder / "odd" / "length 1", "user.a=b%c", b"any\0value\n")
    (folder / LONG).parent.mkdir(parents=True)
    (folder / LONG).write_text("deep")
    (folder / "odd" / "again").hardlink_to(folder / "odd" / "link 900")
    with (folder / "odd" / "only a hole").open("wb") as file:
        file.truncate(9 << 30)
    return folder


def tree_of(reader: ReadAt) -> PaxTree:
    return PaxTree(reader, [member.listed() for member in read_archive(reader)])


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for devices and owners")
def test_a_folder_as_gnu_tar_has_it(folder: Path, tmp_path: Path) -> None:
    """Every member: kind, mode, owner, time in nanoseconds, content, target, attributes, links, device."""
    reader = FileReader(make_archive(folder, tmp_path / "folder.tar"))
    tree = tree_of(reader)
    seen = dict(walk(tree))
    assert set(seen) == {str(path.relative_to(folder)) for path in folder.rglob("*")}
    for name, node in seen.items():
        path = folder / name
        if name == "odd/only a hole":
            assert (node.size, list(tree.pieces(node))) == (9 << 30, [])
            assert tree.read(node, 8 << 30, 10) == bytes(10)
            continue
        assert describe(tree, node) == described(path), name
        found = dict(tree.attributes(node))
        if len(found.get(ACCESS, b"")) == 4 + 3 * 8 and ACCESS not in attributes(path):
            del found[ACCESS]  # GNU tar writes the mode as a list where a folder has a default one
        assert found == attributes(path), name
        assert node.kind == "folder" or node.links == path.lstat().st_nlink
    numbers = [seen[f"odd/{name}"].number for name in ("in pieces", "linked", "link 900", "again")]
    assert (numbers[0], numbers[2]) == (numbers[1], numbers[3])
    at = tree.root
    for part in LONG.split("/"):
        below = tree.find(at, part.encode())
        assert below is not None
        at = below
    assert at == seen[LONG]
    assert tree.find(tree.root, b"d") is None


def test_an_archive_as_python_makes_it(folder: Path, tmp_path: Path) -> None:
    with tarfile.open(tmp_path / "made.tar", "w", format=tarfile.PAX_FORMAT) as archive:
        archive.add(folder, ".", filter=lambda info: None if "hole" in info.name else info)
    reader = FileReader(tmp_path / "made.tar")
    found = list(read_archive(reader))
    assert len(found) == sum(1 for _ in folder.rglob("*"))
    for member in found:
        path = folder / os.fsdecode(member.meta.path)
        kind, mode, user, group, modified, _ = described(path)
        meta = member.meta
        assert (meta.mode, meta.user, meta.group) == (mode, user, group)
        assert meta.kind in (kind, "hard link")
        assert meta.modified_ns == pytest.approx(modified, rel=1e-15)  # it keeps floating-point numbers
        if meta.kind == "file":
            assert reader.read_at(member.contents, meta.size) == path.read_bytes()


@given(metas(), st.lists(st.tuples(st.integers(0, 90), st.integers(1, 50)), max_size=8), st.booleans())
def test_what_is_written_is_read(meta: Meta, gaps: list[tuple[int, int]], is_sparse: bool) -> None:
    pieces, end = list[tuple[int, int]](), 0
    for gap, length in gaps:
        pieces.append((end + gap, length))
        end += gap + length
    if meta.kind == "file" and is_sparse:
        meta = replace(meta, size=end + 7, pieces=pieces)
    elif meta.size > 4096:
        meta = replace(meta, size=99)
    data = headers(meta)
    archive = data + bytes(padded(meta.stored_bytes)) + END
    found = read_member(BytesReader(archive), 0)
    assert found.meta == meta
    assert (found.header_bytes, found.end) == (len(data), len(archive) - len(END))


def test_any_stretch_of_a_sparse_file() -> None:
    rng = random.Random(3)
    stored = rng.randbytes(1500)
    whole = bytes(100) + stored[:500] + bytes(3) + stored[500:1200] + stored[1200:] + bytes(900)
    pieces = [(100, 500), (603, 700), (1303, 300)]
    root = Meta(b"", "folder", 0o755, 0, 0, 0, 0)
    archive = headers(root) + headers(Meta(b"s", "file", 0o600, 0, 0, len(whole), 0, pieces=pieces))
    tree = tree_of(BytesReader(archive + stored.ljust(padded(1500), b"\0") + END))
    node = tree.find(tree.root, b"s")
    assert node is not None
    for _ in range(300):
        offset, length = rng.randrange(len(whole) + 9), rng.randrange(len(whole))
        assert tree.read(node, offset, length) == whole[offset : offset + length]


class Counted:
    """ReadAt that counts what is read."""

    def __init__(self, data: bytes) -> None:
        self._data, self.count = data, 0

    @property
    def size(self) -> int:
        return len(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        self.count += length
        return self._data[offset : offset + length]


@cache
def sample() -> bytes:
    """A small archive by GNU tar, with a member of each kind."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "folder"
        make_odd(folder)
        for path in (*folder.glob("length 4*"), *folder.glob("many/*"), folder / "in pieces", folder / "linked"):
            path.unlink()
        (folder / "hard").hardlink_to(folder / "length 1")
        os.setxattr(folder / "length 1", "user.note", b"x" * 300)
        os.truncate(folder / "sparse", 71 << 20)
        return make_archive(folder, Path(name) / "sample.tar").read_bytes()


@cache
def header_bytes() -> tuple[int, ...]:
    """Where mutations hurt."""
    return tuple(
        at
        for member in read_archive(BytesReader(sample()))
        for at in range(member.offset, member.contents)
        if sample()[at] or at % 512 < 8
    )


def everything(tree: FileTree) -> Iterator[object]:
    for path, node in walk(tree):
        yield path
        yield tree.attributes(node)
        if node.kind == "link":
            yield tree.target(node)
        if node.kind == "file":
            yield from tree.pieces(node)


@given(st.data())
def test_any_archive_is_read_or_malformed(data: st.DataObject) -> None:
    """With sums that are right again, so that what they guard is reached."""
    changed = bytearray(sample())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.sampled_from(header_bytes()))
        changed[at] = data.draw(st.integers(0, 255) | st.sampled_from(b"0179 =\n\0-./"))
        block = at // 512 * 512
        if changed[block + 257 : block + 262] == b"ustar":
            total = sum(changed[block : block + 148]) + sum(changed[block + 156 : block + 512]) + 8 * 32
            changed[block + 148 : block + 156] = b"%06o\0 " % total
    reader = Counted(bytes(changed[: data.draw(st.integers(0, len(changed)) | st.just(len(changed)))]))
    try:
        members = list(read_archive(reader))
        list(everything(PaxTree(reader, [member.listed() for member in members])))
    except Malformed:
        pass
    assert reader.count < 40 * len(changed)


@given(st.data())
def test_any_list_is_used_or_malformed(data: st.DataObject) -> None:
    """Lists that tell of another archive: what is read is what the archive holds, or nothing."""
    reader = BytesReader(sample())
    members = [member.listed() for member in read_archive(reader)]
    fields = ("path", "kind", "mode", "user", "group", "size", "modified_ns", "offset", "target")
    for _ in range(data.draw(st.integers(1, 3))):
        at, other = data.draw(st.sampled_from(range(len(members)))), data.draw(st.sampled_from(members))
        name = data.draw(st.sampled_from(fields))
        changes: dict[str, Any] = {name: getattr(other, name)}
        members[at] = replace(members[at], **changes)
    try:
        tree = PaxTree(reader, members)
    except Malformed:
        return
    truth = {member.meta.path: member.meta for member in read_archive(reader)}
    for path, node in walk(tree):
        try:
            tree.attributes(node)
        except Malformed:
            continue
        meta = truth[tree.path(node.number)]
        assert (node.mode, node.user, node.modified_ns, node.kind) == (
            meta.mode,
            meta.user,
            meta.modified_ns,
            meta.kind,
        )
        assert path
    assert len(tree) == len(members)


def record(key: bytes, value: bytes) -> bytes:
    return next(text for n in range(9999) if len(text := b"%d %b=%b\n" % (n, key, value)) == n)


@pytest.mark.parametrize(
    "name", [b"../x", b"/etc/passwd", b"a/../../x", b"a//b", b"./../x", b"a/./b", b"a\0b", b"x/", b".", b"..", b""]
)
@pytest.mark.parametrize("key", [b"path", b"linkpath", b"GNU.sparse.name"])
def test_a_path_leads_nowhere_else(name: bytes, key: bytes) -> None:
    kind = b"1" if key == b"linkpath" else b"0"
    body = record(key, name)
    if key == b"GNU.sparse.name":
        body += record(b"GNU.sparse.major", b"1") + record(b"GNU.sparse.minor", b"0")
        body += record(b"GNU.sparse.realsize", b"0")
    info = tarfile.TarInfo("" if not name else "plain")
    info.type, info.size = kind, 512 if key == b"GNU.sparse.name" else 0
    extended = tarfile.TarInfo("extended")
    extended.type, extended.size = b"x", len(body)
    archive = extended.tobuf(tarfile.USTAR_FORMAT) + body.ljust(512, b"\0") + info.tobuf(tarfile.USTAR_FORMAT)
    with pytest.raises(Malformed):
        read_member(BytesReader(archive + b"0\n".ljust(512, b"\0") + END), 0)


def test_a_map_of_many_pieces_is_kept_small() -> None:
    """A fragmented image of a virtual machine; and one that claims more pieces than there is room for."""
    count = 30_000
    pieces = Pieces()
    for number in range(count):
        pieces.append(number * 8192, 1)
    data = headers(Meta(b"vm", "file", 0o600, 0, 0, count * 8192, 0, pieces=pieces))
    found = read_member(BytesReader(data + bytes(padded(count)) + END), 0)
    assert found.meta.pieces == pieces
    assert list(found.pieces(8192 * 777 - 5, 8192 * 778 + 1)) == [(8192 * n, found.contents + n, 1) for n in (777, 778)]
    lying = data.replace(b"30001\n0\n", b"999999999\n0\n")
    with pytest.raises(Malformed):
        read_member(BytesReader(lying + bytes(padded(count)) + END), 0)
