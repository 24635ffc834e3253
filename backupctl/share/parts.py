"""Parts: files of segments on a shelf's stock, each one zstd frame padded so that plain `dd` can cut it out.

A part begins with a skippable frame that names format, shelf and part. A part without a table is what an unfinished
run left behind; `scan_part` finds its whole segments frame by frame.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator

import xxhash
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.domain.names import PART, PART_SUFFIX, TABLE_SUFFIX
from backupctl.domain.segments import MOST_SEGMENT_BYTES, Place
from backupctl.formats.zstd_frame import decode, frame_length, skippable
from backupctl.share.hashing import Hashing
from backupctl.share.marks import FORMAT, ShelfMark
from backupctl.share.storage import Bytes, Storage
from backupctl.share.tables import UNIT, PartSum, Row, TableText, read_table, write_table

_HEAD_MAGIC, _PADDING_MAGIC = 0x184D2A5B, 0x184D2A50
_READ = 4 << 20


def part_name(part: str) -> str:
    return f"stock/{part}{PART_SUFFIX}"


def list_parts(storage: Storage) -> tuple[list[str], set[str]]:
    """Names of the parts on the shelf, and of those that have a table. Other files in the stock are left out."""
    parts, tables = [], set()
    for name in storage.names("stock"):
        if name.endswith(TABLE_SUFFIX):
            stem = name.removesuffix(TABLE_SUFFIX)
            if PART.fullmatch(stem):
                tables.add(stem)
        elif PART.fullmatch(name.removesuffix(PART_SUFFIX)) and name.endswith(PART_SUFFIX):
            parts.append(name.removesuffix(PART_SUFFIX))
    return parts, tables


def part_head(shelf: str, part: str) -> bytes:
    """The first `UNIT` bytes of a part."""
    text = json.dumps({"backupctl": "part", "format": FORMAT, "shelf": shelf, "part": part}).encode()
    return skippable(_HEAD_MAGIC, text.ljust(UNIT - 8))


def padded(frame: bytes) -> bytes:
    """`frame` and a skippable frame of zeros, a multiple of `UNIT` bytes together."""
    gap = -len(frame) % UNIT
    if gap < 8:
        gap += UNIT
    return frame + skippable(_PADDING_MAGIC, bytes(gap - 8))


class PartWriter:
    """A part being written. Errors of the storage pass through: after one, the part is left to be salvaged."""

    def __init__(self, storage: Storage, mark: ShelfMark, part: str) -> None:
        self.part = part
        self._storage = storage
        self._sink = storage.create(part_name(part))
        self._table = TableText(mark, part)
        self._checksum = xxhash.xxh3_128()
        self.size = 0
        self.unsynced = 0
        self._write(part_head(mark.id, part))

    def _write(self, data: Bytes) -> None:
        self._sink.write(data)
        self._checksum.update(data)
        self.size += len(data)
        self.unsynced += len(data)

    def add(self, hash: bytes, sha256: bytes, length: int, stored: bytes) -> Place:
        """`stored` is a frame with its padding (`padded`)."""
        row = Row(hash, sha256, self.size, len(stored), length)
        self._write(stored)
        self._table.add(row)
        return Place(self.part, row.offset, row.stored, row.length)

    def sync(self) -> None:
        self._sink.sync()
        self.unsynced = 0

    def finish(self) -> PartSum:
        """Syncs and closes the part and writes its table; both are on stable storage then."""
        self._sink.sync()
        self._sink.close()
        found = PartSum(self._table.segments, self.size, self._checksum.hexdigest())
        write_table(self._storage, self.part, self._table.finish(found.part_bytes, found.part_checksum))
        return found

    def abandon(self) -> None:
        """Closes the file as it is; what it holds is salvaged by a later run."""
        try:
            self._sink.close()
        except OSError:
            pass  # all since the last good sync is lost anyway, and the salvage looks at every frame


def stored_checksum(storage: Storage, name: str, length: int) -> Iterator[int | str]:
    """Hashes the first `length` bytes of a file, past this machine's cache.

    Yields the number of bytes after each step, and at last the XXH3-128. Raises Malformed if the file is shorter.
    """
    checksum = xxhash.xxh3_128()
    at = 0
    with storage.open(name, past_cache=True) as source:
        while at < length:
            read = source.read_at(at, min(_READ, length - at))
            if not read:
                raise Malformed(name, at, f"{length} bytes", "the end: the file is truncated")
            checksum.update(read)
            at += len(read)
            yield len(read)
    yield checksum.hexdigest()


def part_sum(storage: Storage, mark: ShelfMark, part: str) -> PartSum:
    """The last line of a part's table, after the whole table was read and checked."""
    found: Row | PartSum | None = None
    for found in read_table(storage, mark, part):  # noqa: B007 - the last one is wanted
        pass
    if not isinstance(found, PartSum):
        raise Malformed(part, 0, "a table", "an empty one")
    return found


def scan_part(storage: Storage, mark: ShelfMark, part: str) -> tuple[list[Row], bytes]:
    """The intact segments at the start of a part that has no table, and the table that says so.

    Every frame is decoded and hashed. The first frame that is not whole ends the scan: what a run wrote after its
    last good sync may be anything. Raises Malformed if even the head is wrong.
    """
    name = part_name(part)
    size = storage.size(name) or 0
    rows: list[Row] = []
    table = TableText(mark, part)
    checksum = xxhash.xxh3_128()
    with storage.open(name, past_cache=True) as source:
        head = source.read_at(0, UNIT)
        if head != part_head(mark.id, part):
            raise Malformed(name, 0, "the head of a part of this shelf", repr(head[:80]))
        checksum.update(head)
        at = UNIT
        while at < size:
            window = source.read_at(at, MOST_SEGMENT_BYTES + (1 << 20))
            try:
                row = _scan_frame(mark.hashing, window, name, at)
            except Malformed:
                break
            checksum.update(window[: row.stored])
            rows.append(row)
            table.add(row)
            at += row.stored
    return rows, table.finish(at, checksum.hexdigest())


def _scan_frame(hashing: Hashing, window: bytes, name: str, at: int) -> Row:
    length = frame_length(window, name, at)
    padding = frame_length(memoryview(window)[length:], name, at + length)
    claimed = zstandard.get_frame_parameters(window[:18]).content_size
    if not 0 < claimed <= MOST_SEGMENT_BYTES or (length + padding) % UNIT:
        raise Malformed(name, at, "a padded segment", f"{claimed} bytes in {length + padding}")
    content = decode(memoryview(window)[:length], claimed, name, at)
    return Row(hashing.of(content), hashlib.sha256(content).digest(), at, length + padding, claimed)


def read_segment(storage: Storage, place: Place, hash: bytes, hashing: Hashing, past_cache: bool = False) -> bytes:
    """One segment, checked against its hash. Raises Malformed, FileNotFoundError."""
    with storage.open(part_name(place.part), past_cache) as source:
        frame = source.read_at(place.offset, place.stored)
    return checked_segment(frame, place, hash, hashing)


def checked_segment(frame: bytes | memoryview, place: Place, hash: bytes, hashing: Hashing) -> bytes:
    """The content of `frame`, if it has the length and the hash that it should. Raises Malformed."""
    name = part_name(place.part)
    if len(frame) != place.stored:
        raise Malformed(name, place.offset, f"{place.stored} bytes", f"{len(frame)}: the part is truncated")
    content = decode(frame, place.length, name, place.offset)
    found = hashing.of(content)
    if found != hash:
        raise Malformed(name, place.offset, f"a segment with the hash {hash.hex()}", found.hex())
    return content
