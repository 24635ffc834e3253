"""What is to stand on a card: a capture's stream as it is, or what was made of it in scratch space."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Protocol

from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import Entry, is_zero
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.restore import Target, pour
from backupctl.operations.restoring.stitching import SegmentReader, stream_of
from backupctl.share.contents import read_contents
from backupctl.share.shelf import Shelf

Later = Callable[[int, int], bool]  # of a stretch: its offset and length


class CardSource(Protocol):
    """The bytes of a card, or of one partition; what no entry speaks of is free."""

    @property
    def size(self) -> int:
        """Bytes."""
        ...

    def pour(self, target: Target, later: Later, reporter: Reporter, stop: Stop) -> list[tuple[int, bytes]]:
        """Writes all to `target`, except the stretches for which `later` says so: those are returned, ascending."""
        ...

    def entries(self) -> Iterator[Entry]:
        """What must stand there, ascending."""
        ...

    def is_right(self, entry: Entry, found: bytes) -> bool:
        """Whether `found` is what an entry of `entries` is to be."""
        ...

    def content(self, entry: Entry) -> bytes: ...


@dataclass(frozen=True)
class CaptureSource:
    """A capture as it was taken, segment by segment from the share."""

    shelf: Shelf
    history: History
    record: CaptureRecord
    note: Callable[[str], None]

    @property
    def size(self) -> int:
        return self.record.stream_bytes

    def pour(self, target: Target, later: Later, reporter: Reporter, stop: Stop) -> list[tuple[int, bytes]]:
        """See CardSource."""
        kept = pour(
            self.shelf, self.history, self.record, target,
            lambda stretch: later(stretch.entry.offset, stretch.entry.length), reporter, stop,
        )  # fmt: skip
        return [(stretch.entry.offset, content) for stretch, content in kept]

    def entries(self) -> Iterator[Entry]:
        """See CardSource."""
        entries = read_contents(self.shelf.storage, self.shelf.mark, self.record.id)
        next(entries)  # the length of the stream
        return entries

    def is_right(self, entry: Entry, found: bytes) -> bool:
        """See CardSource."""
        if not entry.hash:
            return is_zero(found)
        return self.shelf.mark.hashing.of(found) == entry.hash

    def content(self, entry: Entry) -> bytes:
        """What an entry says, by the share."""
        if not entry.hash:
            return bytes(entry.length)
        _, index, stretches = stream_of(self.shelf, self.history, self.record.id, self.note)
        with closing(index), SegmentReader(self.shelf, self.history) as reader:
            place = next(stretch.place for stretch in stretches if stretch.entry == entry)
            return reader.read(place, entry.hash) if place else b""
