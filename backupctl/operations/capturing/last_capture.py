"""What the newest capture of a card holds: for placing what is new now, and for saying what has changed since."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from backupctl.domain.changes import Changes, is_sampled, one_in_for, sampled_cells
from backupctl.domain.errors import BackupctlError
from backupctl.domain.events import History
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CaptureRecord
from backupctl.operations.capturing.cell_store import CellStore
from backupctl.share.captures import list_captures
from backupctl.share.contents import read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import Shelf


@dataclass(frozen=True)
class LastCapture:
    """`churn`: where it had to write: places that changed then, and may well again. `cells`: the hashes of a sample.

    After the first capture, which wrote everything, nothing is churn. The sample is one cell in `one_in`.
    """

    record: CaptureRecord
    churn: Ranges = field(default_factory=Ranges)
    one_in: int = 1
    cells: dict[int, bytes] = field(default_factory=dict)

    def changes(self, store: CellStore, index: SegmentIndex) -> Changes:
        """What a sample of the cells in `store` has that is new."""
        written, appeared, freed = {}, {}, []
        for cell in sampled_cells(store.cells, self.one_in):
            number, before = store.segment_of(cell), self.cells.get(cell)
            if number < 0:
                if before is not None:
                    freed.append(cell)
            elif before is None:
                appeared[cell] = store.segments.stored_for(number)
            elif before != index.hash_of(number):
                written[cell] = store.segments.stored_for(number)
        return Changes(self.record.id, self.one_in, store.segments.stored_bytes, written, appeared, frozenset(freed))


def last_capture(shelf: Shelf, history: History, index: SegmentIndex, segment_bytes: int) -> LastCapture | None:
    """None if there is none, or none whose contents can be read: that is for verification to tell."""
    captures = list_captures(shelf.storage, shelf.mark, history)
    records = [record for record in captures.records if record.kind == "image"]
    if not records:
        return None
    newest = records[-1]
    numbers = {index.part_number(part) for part in newest.parts} if len(records) > 1 else set()
    one_in = one_in_for(newest.streams[0].lines)
    cells: dict[int, bytes] = {}
    entries = read_contents(shelf.storage, shelf.mark, newest.id)

    def changed() -> Iterator[tuple[int, int]]:
        next(entries)
        for entry in entries:
            if not entry.hash:
                continue
            if is_sampled(cell := entry.offset // segment_bytes, one_in):
                cells[cell] = entry.hash
            number = index.find(entry.hash)
            if number >= 0 and index.part_number_of(number) in numbers:
                yield entry.offset, entry.offset + entry.length

    try:
        return LastCapture(newest, Ranges.ascending(changed()), one_in, cells)
    except (BackupctlError, FileNotFoundError):
        return None
