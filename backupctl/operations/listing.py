"""What there is: captures of a board or of all, one of them, and the manifest for people."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.domain.errors import NotFound, UsageError
from backupctl.domain.events import History, counts_as_good, guard_of
from backupctl.domain.files_policy import FILES, IMAGE
from backupctl.domain.record import DAMAGED, GOOD, CaptureRecord
from backupctl.share.captures import Captures, list_captures
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import Shelf, list_boards, open_shelf


def summary(record: CaptureRecord, history: History, now: datetime) -> dict[str, Any]:
    """A capture as `list --json` gives it, `now` (aware)."""
    damaged = record.id in history.damaged_captures
    guard = guard_of(record, history, now)
    return {
        "id": record.id,
        "board": record.board,
        "kind": record.kind,
        "source": record.source.get("path"),
        "started": record.started,
        "finished": record.finished,
        "label": record.label,
        "guarded": guard.reason if guard else None,
        "guarded_until": guard.until if guard else None,
        "state": DAMAGED if damaged else record.state,
        "accepted": record.state != GOOD and counts_as_good(record, history),
        "stream_bytes": record.stream_bytes,
        "in_use_bytes": record.in_use_bytes,
        "written_bytes": record.written_bytes,
        "frozen_seconds": record.frozen_seconds,
        "verified": None if damaged else history.verified.get(record.id),
        "drilled": None if damaged else history.drilled.get(record.id),
        "drill_failed": history.drill_failed.get(record.id),
        "warnings": list(record.warnings),
    }


def open_shelves(share: Path, board: str | None) -> list[Shelf]:
    """The shelf of `board`, or all of a share."""
    if board is None and share.is_dir() and not (share / "shelf.json").exists():
        boards = list_boards(share)
        if boards:
            return [open_shelf(share, name) for name in boards]
    return [open_shelf(share, board)]


def captures_of(shelf: Shelf) -> tuple[Captures, History]:
    history = read_manifest(shelf.storage).history
    return list_captures(shelf.storage, shelf.mark, history), history


def list_all(share: Path, board: str | None, now: datetime) -> dict[str, Any]:
    """Behind `list`: `captures` as in `list --json`, newest last, and `problems` in words."""
    found: list[dict[str, Any]] = []
    problems: list[str] = []
    shelves = open_shelves(share, board)
    for shelf in shelves:
        captures, history = captures_of(shelf)
        found += [summary(record, history, now) for record in captures.records]
        problems += [f"{shelf.board}: {capture} cannot be used: {cause}" for capture, cause in captures.problems]
    if len(shelves) > 1:  # within a shelf, its own sequence counts: clocks may lie
        found.sort(key=lambda item: datetime.fromisoformat(item["started"]).timestamp())
    return {"captures": found, "problems": problems}


def makes_a_card(record: CaptureRecord) -> bool:
    """See `CaptureRecord.makes_a_card`; to be given to `find_capture`."""
    return record.makes_a_card


def is_image(record: CaptureRecord) -> bool:
    """Whether it is a card, byte for byte; to be given to `find_capture`."""
    return record.kind == IMAGE


def is_archive(record: CaptureRecord) -> bool:
    """Whether it is of files; to be given to `find_capture`."""
    return record.kind == FILES


def find_capture(
    captures: Captures,
    name: str | None,
    as_of: datetime | None = None,
    wanted: Callable[[CaptureRecord], bool] | None = None,
) -> CaptureRecord:
    """By id, a unique beginning of one, a label that only one has, or `newest`; or the newest finished by `as_of`.

    A partial capture is the newest only where none counts as good. `wanted`: of which it is the newest.

    Raises NotFound, UsageError where several match or both are given, Malformed's words where the named record is
    damaged.
    """
    records = captures.records
    if as_of is not None:
        if name is not None:
            raise UsageError(f"{name!r} and a moment both say which capture", "Leave out one of them.")
        before = [r for r in filter(wanted, records) if datetime.fromisoformat(r.finished) <= as_of]
        if not before:
            raise NotFound(f"no capture was finished by {as_of:%a %d %b %Y %H:%M}", "See `backupctl list`.")
        return _newest(before, captures)
    if name in (None, "newest"):
        suitable = [*filter(wanted, records)]
        if not suitable:
            yet = "there is no capture yet" if not records else "there is no capture of the kind that is wanted"
            raise NotFound(yet, "Take one: backupctl capture")
        return _newest(suitable, captures)
    matches = [r for r in records if r.id == name] or [r for r in records if name and r.id.startswith(name)]
    matches = matches or [r for r in records if r.label == name]
    if len(matches) > 1:
        raise UsageError(f"{name!r} names {len(matches)} captures: {', '.join(r.id for r in matches[:5])}", "Say more.")
    if not matches:
        for capture, cause in captures.problems:
            if name and capture.startswith(name):
                raise NotFound(f"{capture} cannot be used: {cause}", "See `backupctl list` for those that can.")
        raise NotFound(f"there is no capture {name!r}", "See `backupctl list`.")
    return matches[0]


def _newest(records: Sequence[CaptureRecord], captures: Captures) -> CaptureRecord:
    return next((r for r in reversed(records) if r.id in captures.good), records[-1])


def show(share: Path, board: str | None, name: str | None, as_of: datetime | None, now: datetime) -> dict[str, Any]:
    """Behind `show`: everything that the record says, and what is known since."""
    shelf = open_shelf(share, board)
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of)
    return {
        **summary(record, history, now),
        "record": asdict(record),
        "policy_changes": history.policy_changes.get(record.id),
        "damaged_segments": sorted(history.damaged_captures.get(record.id, ())),
    }


def runs(share: Path, board: str | None) -> dict[str, Any]:
    """Behind `runs`: every event of the manifest, oldest first."""
    events: list[dict[str, Any]] = []
    problems: list[str] = []
    for shelf in open_shelves(share, board):
        manifest = read_manifest(shelf.storage)
        events += [{"board": shelf.board, **asdict(event)} for event in manifest.events]
        problems += [f"{shelf.board}: {text}" for text in manifest.problems]
    return {"events": events, "problems": problems}
