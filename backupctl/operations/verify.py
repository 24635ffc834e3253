"""Reading back what stands on a shelf: every frame against its table, every capture against what is whole."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from backupctl.domain.errors import Malformed
from backupctl.domain.events import History
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import Place
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.session import Session
from backupctl.share.captures import Captures
from backupctl.share.contents import DigestOfCapture, read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import checked_segment, list_parts, part_name
from backupctl.share.shelf import Shelf
from backupctl.share.storage import Source
from backupctl.share.tables import Row, read_table

_WORKERS = 2
_BATCH_BYTES = 4 << 20


@dataclass(frozen=True)
class VerifyOptions:
    """`capture` None: all. `nights`: tonight's slice of so many. `thorough`: SHA-256 of every segment as well."""

    capture: str | None = None
    as_of: datetime | None = None
    nights: int | None = None
    thorough: bool = False


@dataclass
class _Findings:
    index: SegmentIndex  # of intact segments
    checked: int = 0
    checked_bytes: int = 0
    damaged_parts: list[str] = field(default_factory=list)
    damaged_copies: list[tuple[str, str]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Batch:
    """Segments that stand one after the other in a part."""

    part: str
    source: Source
    rows: tuple[Row, ...]


def verify(shelf: Shelf, options: VerifyOptions, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """The object that `verify --json` prints; what is damaged goes into the manifest, and is written anew next time."""
    session = Session(shelf, facts, reporter)
    captures, history = captures_of(shelf)
    chosen = _chosen(captures, options)
    slice_of = (history.nights % options.nights, options.nights) if options.nights else None
    wanted = _wanted(shelf, chosen, options, slice_of)
    findings = _PartChecker(shelf, history, wanted, slice_of is not None, options.thorough).run(reporter, stop)
    try:
        hurt: dict[str, dict[str, Any]] = {}
        for capture, cause in captures.problems:
            if options.capture is None:
                findings.problems.append(f"{capture} cannot be used: {cause}")
        for record in chosen:
            stop.check()
            found = _check_capture(shelf, record, findings.index, full=slice_of is None)
            if found:
                hurt[record.id] = found
        whole = [record.id for record in chosen if record.id not in hurt] if slice_of is None else []
        healed = [capture for capture in history.damaged_captures if capture in whole]
        session.event("verified", {
            "slice": list(slice_of) if slice_of else None,
            "checked_segments": findings.checked,
            "whole_captures": whole,
            "healed_captures": healed,
            "damaged_parts": findings.damaged_parts,
            "damaged_copies": [list(copy) for copy in findings.damaged_copies],
            "damaged_captures": {capture: found["segments"] for capture, found in hurt.items()},
            "problems": findings.problems,
        })  # fmt: skip
        return {
            "board": shelf.board,
            "slice": list(slice_of) if slice_of else None,
            "checked_segments": findings.checked,
            "checked_bytes": findings.checked_bytes,
            "damaged_segments": len(findings.damaged_copies),
            "damaged_parts": findings.damaged_parts,
            "damaged_captures": [{"id": capture, **found} for capture, found in hurt.items()],
            "unusable_captures": [{"id": capture, "cause": cause} for capture, cause in captures.problems],
            "whole_captures": whole,
            "healed_captures": healed,
            "problems": findings.problems,
        }
    finally:
        findings.index.close()


def _chosen(captures: Captures, options: VerifyOptions) -> tuple[CaptureRecord, ...]:
    if options.capture is None and options.as_of is None:
        return captures.records
    return (find_capture(captures, options.capture, options.as_of),)


def _wanted(
    shelf: Shelf, chosen: tuple[CaptureRecord, ...], options: VerifyOptions, slice_of: tuple[int, int] | None
) -> Callable[[bytes], bool]:
    """Which segments to read."""
    if slice_of is not None:
        turn, nights = slice_of
        return lambda hash: int.from_bytes(hash[:4]) % nights == turn
    if options.capture is None and options.as_of is None:
        return lambda hash: True
    ours = SegmentIndex(shelf.mark.hashing.length)
    for record in chosen:
        try:
            for entry in read_contents(shelf.storage, shelf.mark, record.id):
                if entry.hash:
                    ours.add(entry.hash)
        except (Malformed, OSError):
            continue  # told by _check_capture
    return lambda hash: ours.find(hash) >= 0


class _PartChecker:
    """Reads the wanted segments of all parts. With `partly`, the others count as what they were last known to be."""

    def __init__(
        self, shelf: Shelf, history: History, wanted: Callable[[bytes], bool], partly: bool, thorough: bool
    ) -> None:
        self._shelf = shelf
        self._history = history
        self._wanted = wanted
        self._partly = partly
        self._thorough = thorough
        self._open: list[Source] = []
        self.findings = _Findings(SegmentIndex(shelf.mark.hashing.length))

    def run(self, reporter: Reporter, stop: Stop) -> _Findings:
        storage, findings = self._shelf.storage, self.findings
        parts, tables = list_parts(storage)
        findings.damaged_parts += sorted(tables - set(parts))
        findings.problems += [f"part {part} is missing: only its table is there" for part in findings.damaged_parts]
        total = sum(storage.size(part_name(part)) or 0 for part in parts)
        done = 0
        batches = (batch for part in parts if part in tables for batch in self._batches(part))
        try:
            with closing(in_order(batches, self._check, _WORKERS)) as results:
                for batch, intact in results:
                    stop.check()
                    for row, good in zip(batch.rows, intact, strict=True):
                        if good:
                            findings.index.add(row.hash, batch.part, row.sha256)
                        else:
                            findings.damaged_copies.append((batch.part, row.hash.hex()))
                    findings.checked += len(batch.rows)
                    findings.checked_bytes += sum(row.length for row in batch.rows)
                    done += sum(row.stored for row in batch.rows)
                    reporter.step(Step("verifying", done, total))
        finally:
            for source in self._open:
                source.close()
        return findings

    def _batches(self, part: str) -> Iterator[_Batch]:
        rows: list[Row] = []
        source = self._shelf.storage.open(part_name(part), past_cache=True)
        self._open.append(source)
        try:
            for row in self._wanted_rows(part):
                apart = rows and rows[-1].offset + rows[-1].stored != row.offset
                if apart or (rows and row.offset - rows[0].offset > _BATCH_BYTES):
                    yield _Batch(part, source, tuple(rows))
                    rows = []
                rows.append(row)
        except Malformed as error:
            # The rows before the fault are checked all the same; the next capture makes the table anew.
            self.findings.problems.append(error.cause)
        if rows:
            yield _Batch(part, source, tuple(rows))

    def _wanted_rows(self, part: str) -> Iterator[Row]:
        for row in read_table(self._shelf.storage, self._shelf.mark, part):
            if not isinstance(row, Row):
                return
            if self._wanted(row.hash):
                yield row
            elif self._partly and self._history.is_intact(part, row.hash.hex()):
                self.findings.index.add(row.hash, part, row.sha256)

    def _check(self, batch: _Batch) -> tuple[_Batch, list[bool]]:
        start = batch.rows[0].offset
        end = batch.rows[-1].offset + batch.rows[-1].stored
        try:
            frames = memoryview(batch.source.read_at(start, end - start))
        except OSError:
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
        return not self._thorough or hashlib.sha256(content).digest() == row.sha256


def _check_capture(shelf: Shelf, record: CaptureRecord, index: SegmentIndex, full: bool) -> dict[str, Any] | None:
    """What of a capture is hurt: hashes of `segments`, `ranges` of its stream, `cause` in words. None if whole."""
    missing: list[str] = []
    ranges: list[tuple[int, int]] = []
    digest = DigestOfCapture()
    lines = 0
    try:
        entries = read_contents(shelf.storage, shelf.mark, record.id)
        stream_bytes = next(entries).offset
        for entry in entries:
            lines += 1
            number = index.find(entry.hash) if entry.hash else -1
            if entry.hash and number < 0:
                missing.append(entry.hash.hex())
                ranges.append((entry.offset, entry.offset + entry.length))
            elif full:
                digest.add(entry, index.sha256_of(number) if entry.hash else b"")
    except (Malformed, OSError) as error:
        return {"segments": [], "ranges": [[0, record.stream_bytes]], "cause": f"its contents cannot be read: {error}"}
    if missing:
        cause = f"{len(missing)} segments have no intact copy"
        return {"segments": missing, "ranges": list(Ranges(ranges)), "cause": cause, "where": _volumes(record, ranges)}
    stream = record.streams[0]
    if full and (stream.bytes, stream.lines, stream.digest) != (stream_bytes, lines, digest.hex()):
        return {
            "segments": [],
            "ranges": [[0, record.stream_bytes]],
            "cause": "record, contents and tables do not agree: one of them was altered",
        }
    return None


def _volumes(record: CaptureRecord, ranges: list[tuple[int, int]]) -> list[str]:
    """Which volumes of the card `ranges` lie in, in words."""
    found = []
    for volume in record.layout.get("volumes") or []:
        ends = (volume.get("start"), volume.get("end")) if isinstance(volume, dict) else (None, None)
        if isinstance(ends[0], int) and isinstance(ends[1], int) and Ranges(ranges).touches(ends[0], ends[1]):
            found.append(f"partition {volume.get('partition')} ({volume.get('kind')})")
    return found or ["outside the partitions"]
