"""Headers of an archive, read back by Python's own reader, GNU tar and libarchive."""

from __future__ import annotations

import io
import subprocess
import tarfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.members import BLOCK, MemberKind, padded
from backupctl.formats.pax import END, Meta, headers, name_in_archive

pytestmark = pytest.mark.formats

TYPES = {
    "file": tarfile.REGTYPE,
    "hard link": tarfile.LNKTYPE,
    "link": tarfile.SYMTYPE,
    "folder": tarfile.DIRTYPE,
    "fifo": tarfile.FIFOTYPE,
    "character device": tarfile.CHRTYPE,
    "block device": tarfile.BLKTYPE,
}
NAME = st.binary(min_size=1, max_size=130).filter(lambda name: name not in (b".", b"..") and not set(name) & {0, 0x2F})
PATH = st.lists(NAME, min_size=1, max_size=4).map(b"/".join)
# Keywords end with "="; values may hold anything (IEEE Std 1003.1, pax Extended Header).
ATTRIBUTES = st.dictionaries(st.binary(max_size=9).map(lambda name: b"user.a" + name.replace(b"\0", b"")), st.binary())


@st.composite
def metas(draw: st.DrawFn) -> Meta:
    kind: MemberKind = draw(st.sampled_from(sorted(TYPES)))
    target = b"8:17" if "device" in kind else draw(PATH) if "link" in kind else b""
    sizes = st.integers(0, 1500) | st.sampled_from([8 << 30, (8 << 30) - 1])
    return Meta(
        draw(PATH), kind, draw(st.integers(0, 0o7777)), draw(st.integers(0, 2**32 - 2)), draw(st.integers(0, 2**21)),
        draw(sizes) if kind == "file" else 0, draw(st.integers(-(2**62), 2**62)), target,
        draw(st.binary(max_size=40)).replace(b"\0", b"x"), b"staff", draw(ATTRIBUTES) if kind == "file" else {},
    )  # fmt: skip


@given(metas())
def test_python_reads_what_was_written(meta: Meta) -> None:
    head = headers(meta)
    assert len(head) % BLOCK == 0
    assert head == headers(meta)
    with tarfile.open(fileobj=io.BytesIO(head + END), mode="r:", encoding="utf-8") as archive:
        found = archive.next()
    assert found is not None
    assert (found.type, found.mode, found.uid, found.gid) == (TYPES[meta.kind], meta.mode, meta.user, meta.group)
    wanted = name_in_archive(meta.path, meta.kind).rstrip(b"/").decode(errors="surrogateescape")
    assert found.name.rstrip("/") == wanted
    assert found.size == meta.size
    # It keeps times as floating-point numbers.
    assert found.mtime == pytest.approx(meta.modified_ns / 1e9, rel=1e-15)
    if "link" in meta.kind:
        assert found.linkname.encode(errors="surrogateescape") == meta.target
    if "device" in meta.kind:
        assert (found.devmajor, found.devminor) == (8, 17)
    assert found.uname.encode(errors="surrogateescape") == meta.user_name
    assert {key for key in found.pax_headers if key.startswith("SCHILY.xattr.")} == {
        f"SCHILY.xattr.{name.decode(errors='surrogateescape').replace('%', '%25').replace('=', '%3D')}"
        for name in meta.attributes
    }


def archive_of(metas: list[tuple[Meta, bytes]]) -> bytes:
    return b"".join(headers(meta) + data.ljust(padded(len(data)), b"\0") for meta, data in metas) + END


def test_sparse_and_strange_names(tmp_path: Path) -> None:
    """Unpacked by GNU tar and by bsdtar: holes, names that are no UTF-8, long ones, times before 1970."""
    long = b"/".join([b"folder-%02d" % number for number in range(40)]) + b"/" + b"x" * 200
    pieces = [(4096, 512), (1 << 20, 700)]
    made = [
        (Meta(b"holes", "file", 0o600, 0, 0, 3 << 20, 10**18 + 5, pieces=pieces), b"a" * 512 + b"b" * 700),
        (Meta(b"only a hole", "file", 0o600, 0, 0, 8192, 0, pieces=[]), b""),
        (Meta(b"caf\xe9", "file", 0o644, 0, 0, 3, -2_000_000_000), b"old"),
        (Meta(b"\xff" * 120, "file", 0o644, 0, 0, 4, 10**18), b"long"),
        (Meta(long, "file", 0o644, 0, 0, 4, 10**18 + 123_456_789), b"deep"),
        (Meta("zähler".encode(), "link", 0o777, 0, 0, 0, 10**18, long), b""),
    ]
    (tmp_path / "made.tar").write_bytes(archive_of(made))
    for number, program in enumerate((["tar", "--numeric-owner"], ["bsdtar", "--numeric-owner"])):
        into = tmp_path / str(number)
        into.mkdir()
        subprocess.run([*program, "-xpf", tmp_path / "made.tar", "-C", into], check=True, capture_output=True)
        root = str(into).encode()
        holes = (into / "holes").read_bytes()
        assert len(holes) == 3 << 20
        assert (holes[4096:4608], holes[1 << 20 : (1 << 20) + 700]) == (b"a" * 512, b"b" * 700)
        assert holes.count(0) == (3 << 20) - 1212
        assert (into / "holes").stat().st_mtime_ns == 10**18 + 5
        assert (into / "only a hole").read_bytes() == bytes(8192)
        assert Path(str(root + b"/caf\xe9", "utf-8", "surrogateescape")).stat().st_mtime_ns == -2_000_000_000
        assert Path(str(root + b"/" + b"\xff" * 120, "utf-8", "surrogateescape")).read_bytes() == b"long"
        assert (into / long.decode()).stat().st_mtime_ns == 10**18 + 123_456_789
        assert (into / "zähler").readlink().as_posix() == long.decode()
