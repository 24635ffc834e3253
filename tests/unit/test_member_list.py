"""The list of members of a capture of files: what comes back is what went in, and nothing else is believed."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import xxhash
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.domain.members import Member, place_of
from backupctl.share.members import members_name, read_members, write_members
from backupctl.share.storage import write_whole
from tests.small_stock import SmallStock, capture_name

CAPTURE = capture_name(1)
# Names hold every byte but "/" and NUL (IEEE Std 1003.1, 3.170 Filename).
NAME = st.binary(min_size=1, max_size=12).filter(lambda name: name not in (b".", b"..") and not set(name) & {0, 0x2F})
PATHS = st.sets(st.lists(NAME, max_size=3).map(b"/".join), min_size=1, max_size=20)


def member(path: bytes, offset: int, target: bytes = b"") -> Member:
    return Member(path, "file", 0o644, 1000, 100, 700, -5, 10**18, 12, offset, 1024, 600, target)


@given(PATHS, st.binary(max_size=20))
def test_any_name_comes_back(tmp_path_factory: pytest.TempPathFactory, paths: set[bytes], target: bytes) -> None:
    stock = SmallStock(tmp_path_factory.mktemp("stock"))
    stock.storage.make_folder(f"captures/{CAPTURE}")
    wanted = [member(path, 2048 * number, target) for number, path in enumerate(sorted(paths, key=place_of))]
    said = write_members(stock.storage, stock.shelf.mark, CAPTURE, wanted)
    assert list(read_members(stock.storage, stock.shelf.mark, CAPTURE)) == wanted
    stored = stock.storage.read(members_name(CAPTURE), 1 << 20)
    assert (said.lines, said.bytes, said.checksum) == (len(wanted), len(stored), xxhash.xxh3_128_hexdigest(stored))


def test_a_folder_comes_before_what_is_in_it() -> None:
    names = [b"a.b", b"a/z", b"a", b"", b"a/b/c", b"a-", b"a/b"]
    assert sorted(names, key=place_of) == [b"", b"a", b"a/b", b"a/b/c", b"a/z", b"a-", b"a.b"]


LINE = b"file\t644\t0\t0\t3\t0\t0\t7\t0\t512\t3\t-\t\t%b"


@pytest.mark.parametrize(
    "lines",
    [
        [LINE % b"../x"],
        [LINE % b"/x"],
        [LINE % b"x//y"],
        [LINE % b"x\\057\\056\\056"],
        [LINE % b"b", LINE % b"a"],
        [LINE % b"a", (LINE % b"b").replace(b"\t7\t0\t512", b"\t7\t512\t512")],  # where the first still is
        [(LINE % b"a").replace(b"512", b"511")],
        [(LINE % b"a").replace(b"file", b"door")],
        [(LINE % b"a").replace(b"644", b"17777")],
        [(LINE % b"a").replace(b"file", b"folder")],  # with contents
        [LINE % b"a\tb"],
        [b""],
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, lines: list[bytes]) -> None:
    stock = SmallStock(tmp_path)
    head = f"#backupctl members\t1\t{stock.shelf.mark.id}\t{CAPTURE}\t0\n".encode()
    text = head + b"".join(line + b"\n" for line in lines)
    text += b"#end\t%d\t%b\n" % (len(lines), xxhash.xxh3_128_hexdigest(text).encode())
    stock.storage.make_folder(f"captures/{CAPTURE}")
    write_whole(stock.storage, members_name(CAPTURE), zstandard.compress(text))
    with pytest.raises(Malformed):
        list(read_members(stock.storage, stock.shelf.mark, CAPTURE))


def test_every_byte_counts(tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    stock.storage.make_folder(f"captures/{CAPTURE}")
    wanted = [member(hashlib.sha256(b"%d" % number).hexdigest().encode(), 0) for number in range(3)]
    wanted = [member(one.path, 2048 * n) for n, one in enumerate(sorted(wanted, key=lambda one: one.path))]
    write_members(stock.storage, stock.shelf.mark, CAPTURE, wanted)
    stored = stock.storage.read(members_name(CAPTURE), 1 << 20)
    for at in range(0, len(stored), 7):
        stock.storage.unlink(members_name(CAPTURE))
        write_whole(stock.storage, members_name(CAPTURE), stored[:at] + bytes([stored[at] ^ 16]) + stored[at + 1 :])
        with pytest.raises(Malformed):
            list(read_members(stock.storage, stock.shelf.mark, CAPTURE))
