"""A capture's stream, put together again from segments: for restoring, verifying and standalone files."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from backupctl.domain.errors import Damaged, Malformed
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import Entry, Place
from backupctl.share.contents import DigestOfCapture, read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import checked_segment, part_name
from backupctl.share.shelf import Shelf, locate, other_copies
from backupctl.share.storage import Source
from backupctl.share.trash import find

_OPEN_MOST = 16  # parts: opening one again costs a round trip to the server, and a process may have few descriptors


class SegmentReader:
    """Reads segments from parts, the last few of which are kept open; for several threads at once.

    A thread that reads has the file to itself, so nobody closes it meanwhile.
    """

    def __init__(self, shelf: Shelf, history: History) -> None:
        self._shelf = shelf
        self._history = history
        self._idle: list[tuple[str, Source]] = []  # the last one used comes last
        self._lock = threading.Lock()

    def read(self, place: Place, hash: bytes) -> bytes:
        """One segment, checked against its hash; another copy on the shelf is taken if this one is damaged.

        Raises Damaged, OSError.
        """
        try:
            return self._read(place, hash)
        except (Malformed, OSError) as error:
            for other in other_copies(self._shelf, self._history, hash, place.part):
                try:
                    return self._read(other, hash)
                except (Malformed, OSError):
                    continue
            if isinstance(error, OSError) and not isinstance(error, FileNotFoundError):
                raise  # the share itself may be in trouble
            raise Damaged(
                f"a segment of the capture is damaged, and there is no other copy: {error}",
                "Run `backupctl verify` for the whole damage. Another capture may be whole.",
            ) from None

    def _read(self, place: Place, hash: bytes) -> bytes:
        source = self._take(place.part)
        try:
            frame = source.read_at(place.offset, place.stored)
        except BaseException:
            source.close()
            raise
        self._give_back(place.part, source)
        return checked_segment(frame, place, hash, self._shelf.mark.hashing)

    def _take(self, part: str) -> Source:
        with self._lock:
            for number in reversed(range(len(self._idle))):
                if self._idle[number][0] == part:
                    return self._idle.pop(number)[1]
        try:
            return self._shelf.storage.open(part_name(part))
        except FileNotFoundError:
            # Nothing needed it any more when it was removed, but this reading began before.
            place = find(self._shelf.storage, part_name(part))
            if place is None:
                raise
            return self._shelf.storage.open(place)

    def _give_back(self, part: str, source: Source) -> None:
        with self._lock:
            self._idle.append((part, source))
            too_many = self._idle.pop(0)[1] if len(self._idle) > _OPEN_MOST else None
        if too_many:
            too_many.close()

    def close(self) -> None:
        for _, source in self._idle:
            source.close()

    def __enter__(self) -> SegmentReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class Stretch:
    """An entry of the contents, and its place if it has a segment."""

    entry: Entry
    place: Place | None


def stream_of(
    shelf: Shelf, history: History, capture: str, note: Callable[[str], None]
) -> tuple[int, SegmentIndex, Iterator[Stretch]]:
    """A capture's stream: its length in bytes, an index of its segments, and its entries with their places, in order.

    The contents are read twice, so that only hashes and places are ever in memory. `note`: see `locate`. Raises
    Malformed; the iterator raises Damaged for a segment that the shelf does not hold.
    """
    entries = read_contents(shelf.storage, shelf.mark, capture)
    stream_bytes = next(entries).offset
    index = locate(shelf, history, (entry.hash for entry in entries if entry.hash), note)
    again = read_contents(shelf.storage, shelf.mark, capture)
    next(again)
    return stream_bytes, index, _stretches(again, index)


def check_digest(shelf: Shelf, record: CaptureRecord, index: SegmentIndex) -> None:
    """Before a byte is written: that the shelf holds all segments, and that the contents are those of the record.

    `index`: of `stream_of`. Raises Damaged, Malformed.
    """
    digest = DigestOfCapture()
    entries = read_contents(shelf.storage, shelf.mark, record.id)
    stream_bytes, lines = next(entries).offset, 0
    for entry in entries:
        number = index.find(entry.hash) if entry.hash else -1
        if number >= 0 and index.place_of(number) is None:
            raise _no_copy(entry.offset, entry.length)
        digest.add(entry, index.sha256_of(number) if number >= 0 else b"")
        lines += 1
    stream = record.streams[0]
    if (stream.bytes, stream.lines, stream.digest) != (stream_bytes, lines, digest.hex()):
        raise Damaged(
            f"record, contents and tables of {record.id} do not agree: one of them was altered",
            "Nothing was written. Run `backupctl verify --thorough`, and choose another capture.",
        )


def _stretches(entries: Iterator[Entry], index: SegmentIndex) -> Iterator[Stretch]:
    for entry in entries:
        place = index.place_of(index.find(entry.hash)) if entry.hash else None
        if entry.hash:
            check_place(entry.offset, entry.length, place)
        yield Stretch(entry, place)


def check_place(offset: int, length: int, place: Place | None) -> Place:
    """`place`, if it is that of `length` bytes: of the segment for byte `offset` of the stream. Raises Damaged."""
    if place is None:
        raise _no_copy(offset, length)
    if place.length != length:
        raise Damaged(
            f"the segment for byte {offset} is {place.length} bytes long, not {length}",
            "The contents or a table were altered. Run `backupctl verify`.",
        )
    return place


def _no_copy(offset: int, length: int) -> Damaged:
    return Damaged(
        f"the shelf has no intact copy of bytes {offset} to {offset + length} of the capture",
        "Run `backupctl verify` for the whole damage. Another capture may be whole.",
    )
