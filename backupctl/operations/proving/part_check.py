"""Reading the segments of a shelf back from its parts, and which of them are intact."""

from __future__ import annotations

import errno
import hashlib
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field

from backupctl.domain.errors import Malformed
from backupctl.domain.events import History
from backupctl.domain.segments import Place
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import checked_segment, list_parts, part_name
from backupctl.share.shelf import Shelf, lost_tables, rows_without_table
from backupctl.share.storage import Source
from backupctl.share.tables import Row, read_table
from backupctl.share.trash import stray_tables

_WORKERS = 2
_BATCH_BYTES = 1 << 20


def every_segment(hash: bytes) -> bool:
    """Wants them all."""
    return True


class IntactSegments:
    """Which segments have an intact copy. The index may hold others as well: those that are looked for."""

    def __init__(self, index: SegmentIndex) -> None:
        self.index = index
        self._intact = bytearray(len(index))

    def note(self, row: Row, part: str) -> None:
        number = self.index.add(row.hash, part, row.sha256)
        if number == len(self._intact):
            self._intact.append(1)
        else:
            self._intact[number] = 1

    def find(self, hash: bytes) -> int:
        """Its number in the index; -1 without an intact copy."""
        number = self.index.find(hash)
        return number if number >= 0 and self._intact[number] else -1


@dataclass
class Findings:
    """What came of it."""

    segments: IntactSegments
    checked: int = 0
    checked_bytes: int = 0
    damaged_parts: list[str] = field(default_factory=list)  # that nothing was known against
    damaged_copies: list[tuple[str, str]] = field(default_factory=list)  # (part, hash), as well
    intact_parts: list[str] = field(default_factory=list)  # that were missing, and are there again
    intact_copies: list[tuple[str, str]] = field(default_factory=list)  # that once could not be read, and can be
    lost_tables: dict[str, str] = field(default_factory=dict)  # of parts that are there, and words about it
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Batch:
    """Segments that stand one after the other in a part."""

    part: str
    source: Source
    rows: tuple[Row, ...]


class PartChecker:
    """Reads the wanted segments of all parts. With `partly`, the others count as what they were last known to be.

    What is known to be damaged is looked at again, and more closely: a disk or a network may have had a bad night.
    """

    def __init__(
        self,
        shelf: Shelf,
        history: History,
        index: SegmentIndex,
        wanted: Callable[[bytes], bool],
        partly: bool,
        thorough: bool,
    ) -> None:
        self._shelf = shelf
        self._history = history
        self._wanted = wanted
        self._partly = partly
        self._thorough = thorough
        self._open: deque[Source] = deque()  # of the batches under way, in their order
        self.findings = Findings(IntactSegments(index))

    def run(self, reporter: Reporter, stop: Stop) -> Findings:
        storage, findings = self._shelf.storage, self.findings
        parts, tables = list_parts(storage)
        findings.lost_tables = lost_tables(self._shelf, self._history)
        findings.damaged_parts += sorted(stray_tables(storage) - self._history.damaged_parts)
        findings.problems += [f"part {part} is missing: only its table is there" for part in findings.damaged_parts]
        back = sorted(tables & set(parts) & self._history.damaged_parts)
        if self._wanted is every_segment:
            findings.intact_parts += back  # each of their segments is judged by itself now
        else:
            parts = [part for part in parts if part not in back]
        total = sum(storage.size(part_name(part)) or 0 for part in parts)
        done = 0
        batches = (batch for part in parts if part in tables for batch in self._batches(part))
        try:
            with closing(in_order(batches, self._check, _WORKERS)) as results:
                for batch, intact in results:
                    stop.check()
                    while self._open[0] is not batch.source:  # batches end in order: that part has none left
                        self._open.popleft().close()
                    for row, good in zip(batch.rows, intact, strict=True):
                        self._note(batch.part, row, good)
                    findings.checked += len(batch.rows)
                    findings.checked_bytes += sum(row.length for row in batch.rows)
                    done += sum(row.stored for row in batch.rows)
                    reporter.step(Step("verifying", done, total))
        finally:
            for source in self._open:
                source.close()
        # A damaged table may say anything of its part.
        findings.damaged_copies = [copy for copy in findings.damaged_copies if copy[0] not in findings.lost_tables]
        return findings

    def search_without_tables(self, reporter: Reporter, stop: Stop) -> None:
        """Finds what is intact in the parts whose tables are lost. Slow, as it reads all of them."""
        for part, cause in self.findings.lost_tables.items():
            stop.check()
            reporter.note(f"{cause}; the part itself is searched, which takes a while")
            for row in rows_without_table(self._shelf, part):
                self.findings.segments.note(row, part)

    def _note(self, part: str, row: Row, good: bool) -> None:
        copy = (part, row.hash.hex())
        known = copy in self._history.damaged_copies
        if good:
            self.findings.segments.note(row, part)
            if known:
                self.findings.intact_copies.append(copy)
        elif not known:
            self.findings.damaged_copies.append(copy)

    def _batches(self, part: str) -> Iterator[_Batch]:
        rows: list[Row] = []
        source: Source | None = None
        try:
            for row in self._wanted_rows(part):
                if source is None:
                    source = self._shelf.storage.open(part_name(part), past_cache=True)
                    self._open.append(source)
                apart = rows and rows[-1].offset + rows[-1].stored != row.offset
                if apart or (rows and row.offset - rows[0].offset > _BATCH_BYTES):
                    yield _Batch(part, source, tuple(rows))
                    rows = []
                rows.append(row)
        except Malformed as error:
            # The rows before the fault are checked all the same.
            self.findings.lost_tables[part] = error.cause
        except FileNotFoundError:
            if self._shelf.storage.size(part_name(part)) is not None:
                raise
            rows = []  # removed since it was listed: nothing needs it
        if rows and source:
            yield _Batch(part, source, tuple(rows))

    def _wanted_rows(self, part: str) -> Iterator[Row]:
        for row in read_table(self._shelf.storage, self._shelf.mark, part):
            if not isinstance(row, Row):
                return
            if self._wanted(row.hash):
                yield row
            elif self._partly and self._history.is_intact(part, row.hash.hex()):
                self.findings.segments.note(row, part)

    def _check(self, batch: _Batch) -> tuple[_Batch, list[bool]]:
        start = batch.rows[0].offset
        end = batch.rows[-1].offset + batch.rows[-1].stored
        try:
            frames = memoryview(batch.source.read_at(start, end - start))
        except OSError as error:
            if error.errno != errno.EIO:
                raise  # the share has gone, which says nothing of what stands on it
            return batch, [False] * len(batch.rows)
        return batch, [
            self._is_intact(frames[row.offset - start :][: row.stored], batch.part, row) for row in batch.rows
        ]

    def _is_intact(self, frame: memoryview, part: str, row: Row) -> bool:
        place = Place(part, row.offset, row.stored, row.length)
        try:
            content = checked_segment(frame, place, row.hash, self._shelf.mark.hashing)
        except Malformed:
            return False
        closely = self._thorough or not self._history.is_intact(part, row.hash.hex())
        return not closely or hashlib.sha256(content).digest() == row.sha256
