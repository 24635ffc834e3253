"""The table of a part: for each segment its hash, SHA-256, place, stored length and length.

    #backupctl table<TAB>1<TAB><shelf id><TAB><part><TAB><name of the hash>
    <hash><TAB><SHA-256><TAB><offset><TAB><stored><TAB><length>
    #end<TAB><segments><TAB><bytes of the part><TAB><XXH3-128 of those bytes><TAB><XXH3-128 of all lines above>

One zstd frame. Text, since the shell script that rebuilds a capture without this program joins it with `awk`.
"""

from __future__ import annotations

from binascii import unhexlify
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from operator import add, le
from typing import NamedTuple

import xxhash
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.domain.segments import MOST_SEGMENT_BYTES, PART_BYTES
from backupctl.share.lines import batches_of
from backupctl.share.marks import FORMAT, ShelfMark
from backupctl.share.storage import Storage, write_whole

UNIT = 512  # offsets and stored lengths are multiples of it, so that plain dd can cut frames out
_MOST_BYTES = PART_BYTES + (1 << 30)


class Row(NamedTuple):
    """One segment of a part; see `domain.segments.Place` for the units."""

    hash: bytes
    sha256: bytes
    offset: int
    stored: int
    length: int


class Columns(NamedTuple):
    """Some rows, one after the other: the fields of `Row`, each as a list. There is at least one."""

    hash: list[bytes]
    sha256: list[bytes]
    offset: list[int]
    stored: list[int]
    length: list[int]


@dataclass(frozen=True)
class PartSum:
    """The last line of a table: how many segments, and what the part's bytes were when it was written."""

    segments: int
    part_bytes: int
    part_checksum: str


def table_name(part: str) -> str:
    return f"stock/{part}.table.zst"


class TableText:
    """A table while its part is being written. Kept compressed: a part may have 100 000 segments."""

    def __init__(self, mark: ShelfMark, part: str) -> None:
        self._compressor = zstandard.ZstdCompressor(level=3, write_checksum=True).compressobj()
        self._checksum = xxhash.xxh3_128()
        self._out = bytearray()
        self.segments = 0
        self._add(f"#backupctl table\t{FORMAT}\t{mark.id}\t{part}\t{mark.hashing.name}\n")

    def _add(self, line: str) -> None:
        text = line.encode()
        self._checksum.update(text)
        self._out += self._compressor.compress(text)

    def add(self, row: Row) -> None:
        self._add(f"{row.hash.hex()}\t{row.sha256.hex()}\t{row.offset}\t{row.stored}\t{row.length}\n")
        self.segments += 1

    def finish(self, part_bytes: int, part_checksum: str) -> bytes:
        """The whole table as it stands on the shelf."""
        self._add(f"#end\t{self.segments}\t{part_bytes}\t{part_checksum}\t{self._checksum.hexdigest()}\n")
        self._out += self._compressor.flush()
        return bytes(self._out)


def write_table(storage: Storage, part: str, table: bytes) -> None:
    """Raises FileExistsError if the part has one: somebody else took the part for left over, and salvaged it."""
    write_whole(storage, table_name(part), table)


def read_table(storage: Storage, mark: ShelfMark, part: str, name: str | None = None) -> Iterator[Row | PartSum]:
    """The rows, in order of place, and then the sum. Raises Malformed (before it yields the sum, if not sooner).

    `name`: of a table that stands elsewhere than it should.
    """
    for found in read_columns(storage, mark, part, name):
        if isinstance(found, PartSum):
            yield found
        else:
            yield from map(Row._make, zip(*found, strict=True))


def read_columns(storage: Storage, mark: ShelfMark, part: str, name: str | None = None) -> Iterator[Columns | PartSum]:
    """The same, many rows at once."""
    name = name or table_name(part)
    expected = f"#backupctl table\t{FORMAT}\t{mark.id}\t{part}\t{mark.hashing.name}".encode()
    segments, at, checksum = 0, UNIT, xxhash.xxh3_128()
    total: list[bytes] | None = None  # the last line
    batches = batches_of(storage, name)
    head, *first = next(batches, None) or [b""]
    if head != expected:
        raise Malformed(name, 0, expected.decode(), repr(head[:120]))
    checksum.update(head + b"\n")
    for lines in chain([first], batches):
        if total is not None and lines:
            raise Malformed(name, 0, "the end after '#end'", "more lines")
        if lines and lines[-1].startswith(b"#end\t"):
            total = lines.pop().split(b"\t")
        if not lines:
            continue
        checksum.update(b"\n".join(lines) + b"\n")
        try:
            columns = _columns(lines, 2 * mark.hashing.length, at)
        except ValueError as error:
            where = f"{name}, lines {segments + 2} to {segments + len(lines) + 1}"
            raise Malformed(where, 0, "segments, one after the other", str(error)) from None
        yield columns
        at = columns.offset[-1] + columns.stored[-1]
        segments += len(lines)
    if total is None:
        raise Malformed(name, 0, "a last line '#end'", "none: the table is truncated")
    yield _part_sum(name, total, segments, at, checksum.hexdigest())


def _columns(lines: list[bytes], width: int, at: int) -> Columns:
    """What the lines say, from byte `at` of the part on. `width`: of a hash in hex. Raises ValueError."""
    hashes, sums, *numbers = zip(*(line.split(b"\t") for line in lines), strict=True)
    if len(numbers) != 3 or {*map(len, hashes)} != {width} or {*map(len, sums)} != {64}:
        raise ValueError("fields that are too many, too few or of another length")
    if not b"".join(chain.from_iterable(numbers)).isdigit():  # int() takes more than that
        raise ValueError("fields that are no numbers")
    offsets, stored, lengths = (list(map(int, column)) for column in numbers)
    ends = list(map(add, offsets, stored))
    if not all(map(le, chain([at], ends), offsets)) or min(stored) <= 0 or ends[-1] > _MOST_BYTES:
        raise ValueError("places that overlap, or are behind the end")
    if any(map((UNIT - 1).__and__, chain(offsets, stored))):
        raise ValueError(f"places that are no multiples of {UNIT}")
    if min(lengths) <= 0 or max(lengths) > MOST_SEGMENT_BYTES:
        raise ValueError("segments of no bytes, or of too many")
    return Columns(list(map(unhexlify, hashes)), list(map(unhexlify, sums)), offsets, stored, lengths)


def _part_sum(name: str, fields: list[bytes], rows: int, end: int, checksum: str) -> PartSum:
    try:
        _, segments, part_bytes, part_checksum, own = (field.decode() for field in fields)
        found = PartSum(int(segments), int(part_bytes), part_checksum)
    except ValueError:
        raise Malformed(name, 0, "'#end' with four fields", repr(fields)[:120]) from None
    if found.segments != rows or found.part_bytes < end or own != checksum:
        raise Malformed(name, 0, f"'#end' for {rows} segments with the checksum {checksum}", repr(fields)[:160])
    return found
