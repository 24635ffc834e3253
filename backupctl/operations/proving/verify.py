"""Reading back what stands on a shelf: every frame against its table, every capture against what is whole."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass, replace
from datetime import datetime
from typing import Any

from backupctl.domain.errors import Malformed
from backupctl.domain.events import History
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CaptureRecord, volumes_within
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.proving.files_beside import faults_beside
from backupctl.operations.proving.part_check import IntactSegments, PartChecker, every_segment
from backupctl.operations.session import Session
from backupctl.share.captures import Captures, record_name
from backupctl.share.contents import DigestOfCapture, read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.members import read_members
from backupctl.share.readers import reading
from backupctl.share.shelf import Shelf
from backupctl.share.trash import bring_back, parts_holding

_NAMED_MOST = 1000  # files of a capture that are hurt
_DISAGREE = "record, contents and tables do not agree: one of them was altered"


@dataclass(frozen=True)
class VerifyOptions:
    """`capture` None: all. `nights`: tonight's slice of so many. `thorough`: SHA-256 of every segment as well."""

    capture: str | None = None
    as_of: datetime | None = None
    _: KW_ONLY
    nights: int | None = None
    thorough: bool = False


def verify(shelf: Shelf, options: VerifyOptions, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """The object that `verify --json` prints; what is damaged goes into the manifest, and is written anew next time."""
    with reading(shelf.storage, facts.claim("verification"), None):
        return _verify(shelf, options, facts, reporter, stop)


def _verify(shelf: Shelf, options: VerifyOptions, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    session = Session(shelf, facts, reporter)
    captures, history = captures_of(shelf)
    chosen = _chosen(captures, options)
    slice_of = (history.nights % options.nights, options.nights) if options.nights else None
    index, wanted = _wanted(shelf, chosen, options, slice_of)
    try:
        checker = PartChecker(shelf, history, index, wanted, slice_of is not None, options.thorough)
        findings = checker.run(reporter, stop)
        for capture, cause in captures.problems:
            if options.capture is None:
                findings.problems.append(f"{capture} cannot be used: {cause}")
        hurt = _check_captures(shelf, chosen, findings.segments, slice_of is None, stop)
        written = set(history.confirmed_parts).union(*(record.parts for record in captures.records))
        if findings.lost_tables and any(found["segments"] for found in hurt.values()):
            checker.search_without_tables(reporter, stop)
            hurt = _check_captures(shelf, chosen, findings.segments, slice_of is None, stop)
            written.update(findings.lost_tables)
        missing = {hash for found in hurt.values() for hash in found["segments"]}
        if missing and _bring_back(shelf, history, missing, reporter):
            return _verify(shelf, options, facts, reporter, stop)
        findings.problems += [
            f"{cause}; the next capture makes it anew"
            for part, cause in findings.lost_tables.items()
            if part in written  # others are what an unfinished run left
        ]
        if not options.thorough and any(found["cause"] == _DISAGREE for found in hurt.values()):
            reporter.note(f"{_DISAGREE}; everything is read once more, to find out which")
            return _verify(shelf, replace(options, thorough=True), facts, reporter, stop)
        for record in chosen:
            tonight = slice_of is None or int(record.id[-6:], 16) % slice_of[1] == slice_of[0]  # six random hex digits
            findings.problems += faults_beside(shelf, record, tonight, stop)
        whole = [record.id for record in chosen if record.id not in hurt] if slice_of is None else []
        # A damaged copy is told of once; from then on, only if no other copy is intact.
        damaged = {hash for _, hash in findings.damaged_copies}.union(*(found["segments"] for found in hurt.values()))
        healed = [capture for capture in history.damaged_captures if capture in whole]
        session.event("verified", {
            "slice": list(slice_of) if slice_of else None,
            "checked_segments": findings.checked,
            "whole_captures": whole,
            "healed_captures": healed,
            "damaged_parts": findings.damaged_parts,
            "intact_parts": findings.intact_parts,
            "damaged_copies": [list(copy) for copy in findings.damaged_copies],
            "intact_copies": [list(copy) for copy in findings.intact_copies],
            "damaged_captures": {capture: found["segments"] for capture, found in hurt.items()},
            "problems": findings.problems,
        })  # fmt: skip
        return {
            "board": shelf.board,
            "slice": list(slice_of) if slice_of else None,
            "checked_segments": findings.checked,
            "checked_bytes": findings.checked_bytes,
            "damaged_segments": len(damaged),
            "damaged_parts": findings.damaged_parts,
            "damaged_captures": [{"id": capture, **found} for capture, found in hurt.items()],
            "unusable_captures": [{"id": capture, "cause": cause} for capture, cause in captures.problems],
            "whole_captures": whole,
            "healed_captures": healed,
            "problems": findings.problems,
        }
    finally:
        index.close()


def _chosen(captures: Captures, options: VerifyOptions) -> tuple[CaptureRecord, ...]:
    if options.capture is None and options.as_of is None:
        return captures.records
    return (find_capture(captures, options.capture, options.as_of),)


def _wanted(
    shelf: Shelf, chosen: tuple[CaptureRecord, ...], options: VerifyOptions, slice_of: tuple[int, int] | None
) -> tuple[SegmentIndex, Callable[[bytes], bool]]:
    """Which segments to read; and an index that holds them, where they are not simply all."""
    index = SegmentIndex(shelf.mark.hashing.length)
    if slice_of is not None:
        turn, nights = slice_of
        return index, lambda hash: int.from_bytes(hash[:4]) % nights == turn
    if options.capture is None and options.as_of is None:
        return index, every_segment
    for record in chosen:
        try:
            for entry in read_contents(shelf.storage, shelf.mark, record.id):
                if entry.hash:
                    index.add(entry.hash)
        except (Malformed, OSError):
            continue  # told by _check_capture
    return index, lambda hash: index.find(hash) >= 0


def _bring_back(shelf: Shelf, history: History, missing: set[str], reporter: Reporter) -> bool:
    """Whether the trash had a part with one of these segments: needed no more once, it is the last copy by now."""

    def is_missing(part: str, hash: bytes) -> bool:
        return hash.hex() in missing and history.is_intact(part, hash.hex())

    parts = parts_holding(shelf.storage, shelf.mark, is_missing)
    for part in parts:
        try:
            bring_back(shelf.storage, part)
        except OSError as error:
            reporter.note(f"part {part}, with what a capture lacks, cannot be brought back from the trash: {error}")
            return False
        reporter.note(f"part {part} was brought back from the trash, since a capture lacks what is in it")
    return bool(parts)


def _check_captures(
    shelf: Shelf, records: tuple[CaptureRecord, ...], segments: IntactSegments, full: bool, stop: Stop
) -> dict[str, dict[str, Any]]:
    """By capture, what `_check_capture` found; without those that are whole."""
    hurt = {}
    for record in records:
        stop.check()
        found = _check_capture(shelf, record, segments, full)
        if found and shelf.storage.size(record_name(record.id)) is not None:  # else somebody has just removed it
            hurt[record.id] = found
    return hurt


def _where(shelf: Shelf, record: CaptureRecord, ranges: Ranges) -> list[str]:
    """What of a capture stands in `ranges` of its stream: volumes, or the first files."""
    if record.kind != "files":
        return volumes_within(record, ranges)
    found: list[str] = []
    try:
        for member in read_members(shelf.storage, shelf.mark, record.id):
            if ranges.touches(member.offset, member.end):
                found.append(f"/{os.fsdecode(member.path)}")
            if len(found) == _NAMED_MOST:
                break
    except (Malformed, OSError):
        pass  # told where the list itself is looked at
    return found


def _check_capture(shelf: Shelf, record: CaptureRecord, segments: IntactSegments, full: bool) -> dict[str, Any] | None:
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
            number = segments.find(entry.hash) if entry.hash else -1
            if entry.hash and number < 0:
                missing.append(entry.hash.hex())
                ranges.append((entry.offset, entry.offset + entry.length))
            elif full:
                digest.add(entry, segments.index.sha256_of(number) if entry.hash else b"")
    except (Malformed, OSError) as error:
        return {"segments": [], "ranges": [[0, record.stream_bytes]], "cause": f"its contents cannot be read: {error}"}
    if missing:
        cause = f"{len(missing)} segments have no intact copy"
        return {
            "segments": missing,
            "ranges": list(Ranges(ranges)),
            "cause": cause,
            "where": _where(shelf, record, Ranges(ranges)),
        }
    stream = record.streams[0]
    if full and (stream.bytes, stream.lines, stream.digest) != (stream_bytes, lines, digest.hex()):
        return {
            "segments": [],
            "ranges": [[0, record.stream_bytes]],
            "cause": _DISAGREE,
        }
    return None
