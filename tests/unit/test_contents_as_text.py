"""Contents read as one text, for comparing: the same hashes as line by line, within bounds, and nothing believed."""

from __future__ import annotations

import random
import tracemalloc
from pathlib import Path

import pytest
import xxhash
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.share.contents import contents_name, hashes_in, read_contents, read_contents_text
from backupctl.share.lines import text_of
from backupctl.share.storage import write_whole
from tests.small_stock import HASHING, SmallStock, capture_name, segment

CAPTURE = capture_name(1)
HASH = HASHING.of(segment(1)).hex().encode()


def packed(body: bytes) -> bytes:
    return zstandard.ZstdCompressor(write_checksum=True).compress(body)


def put(stock: SmallStock, lines: list[bytes], end: bytes | None = None, head: bytes | None = None) -> None:
    """Contents with the right head and end, if no others are given."""
    first = f"#backupctl contents\t1\t{stock.shelf.mark.id}\t{CAPTURE}\t0\t{HASHING.name}\t1048576\n".encode()
    text = (first if head is None else head) + b"".join(line + b"\n" for line in lines)
    right = b"#end\t%d\t%s\n" % (len(lines), xxhash.xxh3_128_hexdigest(text).encode())
    stock.storage.make_folder(f"captures/{CAPTURE}")
    write_whole(stock.storage, contents_name(CAPTURE), packed(text + (right if end is None else end)))


def hashes(stock: SmallStock) -> list[bytes]:
    text = read_contents_text(stock.storage, stock.shelf.mark, CAPTURE)
    return hashes_in(text.split(b"\n")[:-1], stock.shelf.mark, CAPTURE)


def line_by_line(stock: SmallStock) -> list[bytes]:
    return [entry.hash for entry in read_contents(stock.storage, stock.shelf.mark, CAPTURE) if entry.hash]


def test_the_same_as_line_by_line(tmp_path: Path) -> None:
    stock, chance = SmallStock(tmp_path), random.Random(4)
    lines = []
    for _ in range(200):
        hash = HASHING.of(segment(chance.randrange(50))).hex()
        lines.append(chance.choice([f"data\t{hash}", "zero\t-", f"unreadable\t{hash}", "unreadable\t-"]))
    put(stock, [f"{64 * place}\t64\t{line}".encode() for place, line in enumerate(lines)])
    assert hashes(stock) == line_by_line(stock)
    assert len(hashes(stock)) > 50


@pytest.mark.parametrize("line", [
    b"", b"0\t64\tdata", b"0\t64\tdata\t", b"0\t64\tdata\t-", b"0\t64\tzero\t" + HASH, b"0\t64\tfree\t-",
    b"0\t64\tdata\t" + HASH[:-1], b"0\t64\tdata\t" + HASH[:-1] + b"g", b"0\t64\tdata\t" + HASH[:-2] + b" 0",
    b"0\t64\tdata\t" + HASH + b"\t", b"-1\t64\tdata\t" + HASH, b"\t64\tdata\t" + HASH, b"0 64 data " + HASH,
    b"0\t64\tdata\t" + HASH + b"\r", b"#end\t0\t" + HASH,
])  # fmt: skip
def test_a_line_of_another_form_is_refused(line: bytes, tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    put(stock, [line])
    for read in (hashes, line_by_line):
        with pytest.raises(Malformed):
            read(stock)


@pytest.mark.parametrize("end", [
    b"", b"#end\t1\n", b"#end\t1\t" + HASH + b"\n", b"#end\t2\t" + HASH + b"\n\n", b"\n", b"#end",
])  # fmt: skip
def test_another_end_is_refused(end: bytes, tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    put(stock, [b"0\t64\tdata\t" + HASH], end=end)
    with pytest.raises(Malformed):
        hashes(stock)


@pytest.mark.parametrize("head", [b"", b"\n", b"#backupctl contents\t1\n"])
def test_another_head_is_refused(head: bytes, tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    put(stock, [b"0\t64\tdata\t" + HASH], head=head)
    with pytest.raises(Malformed):
        hashes(stock)


def test_a_frame_that_stands_for_gigabytes_takes_no_memory(tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    compressor = zstandard.ZstdCompressor().compressobj()
    frame = b"".join(compressor.compress(b"0\n" * (1 << 20)) for _ in range(200)) + compressor.flush()
    write_whole(stock.storage, "large", frame)
    tracemalloc.start()
    with pytest.raises(Malformed, match="at most 8388608 bytes"):
        text_of(stock.storage, "large", 8 << 20)
    assert tracemalloc.get_traced_memory()[1] < 64 << 20
    tracemalloc.stop()


def test_a_text_of_one_line_is_refused(tmp_path: Path) -> None:
    stock = SmallStock(tmp_path)
    write_whole(stock.storage, "large", packed(b"0" * (1 << 20) + b"\n"))
    with pytest.raises(Malformed, match="lines of at most"):
        text_of(stock.storage, "large", 8 << 20)
