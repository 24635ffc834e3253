"""A capture's stream by position: reads what is asked for, segment by segment, and nothing else."""

from __future__ import annotations

import threading
from array import array
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Callable, Iterator

from backupctl.domain.errors import Damaged, Malformed
from backupctl.domain.events import History
from backupctl.domain.members import Member
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import Place
from backupctl.formats.reader import check_bounds
from backupctl.operations.restoring.stitching import SegmentReader, check_place
from backupctl.share.contents import read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.members import read_members
from backupctl.share.shelf import Shelf, intact_rows, locate, usable_parts
from backupctl.share.tables import table_name

_CACHE_BYTES = 16 << 20
_STRIPES = 16


class CaptureView:
    """ReadAt over a capture as it would be restored, for several threads at once. Free space reads as zeros.

    Opening it reads the contents. Tables are read when a segment is wanted that those read so far do not have: the
    capture's own parts first, then the largest. Every segment is checked against its hash; the digest of the whole
    capture is not, since that would take all tables.
    """

    def __init__(
        self,
        shelf: Shelf,
        history: History,
        record: CaptureRecord,
        note: Callable[[str], None],
        cache_bytes: int = _CACHE_BYTES,
    ) -> None:
        """`note`: see `share.shelf.locate`. `cache_bytes`: of decoded segments. Raises Malformed, Damaged, OSError."""
        self.record = record
        # What the card did not give stands as zeros here; a range is as exact as the card's sectors.
        self.unreadable = Ranges(record.unreadable)
        self.segments_read = 0
        self._shelf, self._history, self._note = shelf, history, note
        self._index = SegmentIndex(shelf.mark.hashing.length, with_places=True)
        self._offsets, self._lengths, self._numbers = array("Q"), array("I"), array("I")
        entries = read_contents(shelf.storage, shelf.mark, record.id)
        self._size = next(entries).offset
        lines = 0
        for lines, (offset, length, _, hash) in enumerate(entries, 1):  # noqa: B007 - the last one is wanted
            if hash:
                self._offsets.append(offset)
                self._lengths.append(length)
                self._numbers.append(self._index.add(hash))
        stream = record.streams[0]
        if (self._size, lines) != (stream.bytes, stream.lines):
            raise Damaged(
                f"record and contents of {record.id} do not agree: one of them was altered",
                "Run `backupctl verify`, and choose another capture.",
            )
        self._reader = SegmentReader(shelf, history)
        self._tables = self._tables_wanted()
        self._searched = False
        self._cache: OrderedDict[int, bytes] = OrderedDict()
        self._cached = 0
        self._cache_bytes = cache_bytes
        self._lock = threading.Lock()  # of the cache
        self._looking_up = threading.Lock()
        self._stripes = [threading.Lock() for _ in range(_STRIPES)]

    @property
    def size(self) -> int:
        return self._size

    @property
    def segments(self) -> int:
        """How many different segments the capture has."""
        return len(self._index)

    def read_at(self, offset: int, length: int) -> bytes:
        """See `ReadAt`. Raises Damaged where the shelf has no intact copy, OSError where it cannot be read at all."""
        check_bounds(offset, length, self._size)
        end = offset + length
        number = max(bisect_right(self._offsets, offset) - 1, 0)
        found: bytearray | None = None
        while number < len(self._offsets) and (start := self._offsets[number]) < end:
            stop = start + self._lengths[number]
            if stop > offset:
                content = self._segment(number)
                if found is None and start <= offset and end <= stop:
                    return content[offset - start : end - start]
                found = found if found is not None else bytearray(length)
                low, high = max(start, offset), min(stop, end)
                found[low - offset : high - offset] = content[low - start : high - start]
            number += 1
        return bytes(length) if found is None else bytes(found)

    def members(self) -> Iterator[Member]:
        """Of a capture of files, by the list beside its contents. Raises Malformed, Damaged, OSError."""
        lines = 0
        for lines, member in enumerate(read_members(self._shelf.storage, self._shelf.mark, self.record.id), 1):  # noqa: B007 - counted
            yield member
        if self.record.members is None or lines != self.record.members.lines:
            raise Damaged(
                f"record and list of members of {self.record.id} do not agree: one of them was altered",
                "Run `backupctl verify`, and choose another capture.",
            )

    def data(self) -> Iterator[tuple[int, int]]:
        """The stretches that have a segment, in order; all else is zeros."""
        for offset, length in zip(self._offsets, self._lengths, strict=True):
            yield offset, offset + length

    def _segment(self, entry: int) -> bytes:
        number = self._numbers[entry]
        # Two threads that want one segment at the same time: the second waits, and finds it.
        with self._stripes[number % _STRIPES]:
            with self._lock:
                content = self._cache.get(number)
                if content is not None:
                    self._cache.move_to_end(number)
            length = self._lengths[entry]
            if content is None:
                with self._looking_up:
                    place = self._place(number)
                content = self._reader.read(
                    check_place(self._offsets[entry], length, place), self._index.hash_of(number)
                )
                self._keep(number, content)
        if len(content) != length:
            check_place(self._offsets[entry], length, self._index.place_of(number))
        return content

    def _keep(self, number: int, content: bytes) -> None:
        with self._lock:
            self.segments_read += 1
            self._cache[number] = content
            self._cached += len(content)
            while self._cached > self._cache_bytes and len(self._cache) > 1:
                self._cached -= len(self._cache.popitem(last=False)[1])

    def _place(self, number: int) -> Place | None:
        place = self._index.place_of(number)
        while place is None and self._tables:
            self._read_table(self._tables[-1])
            self._tables.pop()  # after an error of the share it is read again
            place = self._index.place_of(number)
        if place is None and not self._searched:
            self._search()
            self._searched = True
            place = self._index.place_of(number)
        return place

    def _tables_wanted(self) -> list[str]:
        """Parts with tables, that which is to be read first last."""
        own, storage = set(self.record.parts), self._shelf.storage
        sizes = {part: storage.size(table_name(part)) or 0 for part in usable_parts(self._shelf, self._history)}
        return sorted(sizes, key=lambda part: (part in own, sizes[part]))

    def _read_table(self, part: str) -> None:
        find, places = self._index.find, array("Q")
        try:
            for row in intact_rows(self._shelf, self._history, part):
                number = find(row.hash)
                if number >= 0:
                    places.extend((number, row.offset, row.stored, row.length))
        except Malformed:
            pass  # what it said before its fault is as good as any: the segments themselves are checked
        # Of two copies either will do.
        self._index.put_places(part, places)

    def _search(self) -> None:
        """What no table has may be in a part that lost its own."""
        index = self._index
        missing = [number for number in range(len(index)) if index.place_of(number) is None]
        found = locate(self._shelf, self._history, map(index.hash_of, missing), self._note)
        try:
            for number in missing:
                place = found.place_of(found.find(index.hash_of(number)))
                if place is not None:
                    index.put_place(number, place)
        finally:
            found.close()

    def close(self) -> None:
        self._reader.close()
        self._index.close()

    def __enter__(self) -> CaptureView:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
