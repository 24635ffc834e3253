"""Every board on a share: how old its last good capture is, and what else somebody should know of it."""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from backupctl.domain.due import overdue_from, recorded_schedule
from backupctl.domain.errors import BackupctlError
from backupctl.domain.events import History, counts_as_good, guard_of
from backupctl.domain.moments import moment_or_none
from backupctl.domain.record import CaptureRecord
from backupctl.operations.listing import captures_of
from backupctl.share.captures import Captures
from backupctl.share.retiring import retired_boards
from backupctl.share.shelf import Shelf, list_boards, mark_of_share, open_shelf

_SOON = timedelta(hours=1)  # captures that follow each other sooner are taken by hand, and say nothing of a rhythm
_RECENT = 10  # gaps between captures that the usual one is taken from


def boards(share: Path, now: datetime) -> dict[str, Any]:
    """Behind `boards`: `boards`, `retired` (half removed, by name), and `problems` with shelves in words.

    Raises Refused for a folder that is no share.
    """
    found: list[dict[str, Any]] = []
    problems: list[str] = []
    alone = (share / "shelf.json").exists()
    if not alone:
        mark_of_share(share)
    for name in [None] if alone else list_boards(share):
        try:
            shelf = open_shelf(share, name)
            found.append(about(shelf, now) | {"bytes": bytes_under(shelf.path)})
        except (BackupctlError, OSError) as error:
            problems.append(f"{name or share}: {error}")
    return {"boards": found, "retired": [] if alone else retired_boards(share), "problems": problems}


def about(shelf: Shelf, now: datetime) -> dict[str, Any]:
    """How a board stands, by what its shelf says. Raises BackupctlError, OSError."""
    captures, history = captures_of(shelf)
    newest = captures.records[-1] if captures.records else None
    good = [record for record in captures.records if _is_good(record, captures, history)]
    usual = usual_interval([datetime.fromisoformat(record.started) for record in good if record.clock_trusted])
    age = now - datetime.fromisoformat(good[-1].started) if good and good[-1].clock_trusted else None
    away = _away(history, now)
    drilled = [history.drilled[record.id] for record in good if record.id in history.drilled]
    seen = {*history.verified, *history.drilled}  # a drill reads every segment as well
    late = _late(good[-1] if age is not None else None, captures, history, usual)
    return {
        "board": shelf.board,
        "captures": len(captures.records),
        "newest_finished": newest.finished if newest else None,
        "partial_since": newest.started if newest and not counts_as_good(newest, history) else None,
        "newest_good": good[-1].id if good else None,
        "newest_good_started": good[-1].started if good else None,
        "age_seconds": int(age.total_seconds()) if age is not None else None,
        "usual_interval_seconds": int(usual.total_seconds()) if usual else None,
        "overdue_from": late.isoformat(timespec="seconds") if late else None,
        "overdue": late is not None and now > late and away is None,
        "away_until": away,
        "drilled": max(drilled, default=None),
        "drill_age_seconds": _seconds_since(max(drilled, default=""), now),
        "drill_failed": history.last_drill if history.last_drill_failed else None,
        "unverified": sum(record.id not in seen for record in good),
        "damaged": sum(record.id in history.damaged_captures for record in captures.records),
        "guarded": sum(guard_of(record, history, now) is not None for record in captures.records),
        "failed": history.failed_run,
        "newest_event": history.last_time,
        "problems": [f"{capture} cannot be used: {cause}" for capture, cause in captures.problems],
    }


def _late(
    newest: CaptureRecord | None, captures: Captures, history: History, usual: timedelta | None
) -> datetime | None:
    """The moment from which the board is overdue: by its policy if nights run there, else by what was usual so far."""
    if newest is None:
        return None
    started = datetime.fromisoformat(newest.started)
    schedule = recorded_schedule(captures.records[-1].policy) if history.scheduled else None
    if schedule is not None:
        return overdue_from(started, schedule)
    return started + 2 * usual if usual else None


def _is_good(record: CaptureRecord, captures: Captures, history: History) -> bool:
    return record.id in captures.good and record.id not in history.damaged_captures


def usual_interval(started: Sequence[datetime]) -> timedelta | None:
    """The median of the last gaps between captures, oldest first; None for too few of them to tell."""
    gaps = [later - earlier for earlier, later in pairwise(started) if later - earlier > _SOON]
    return timedelta(seconds=median(gap.total_seconds() for gap in gaps[-_RECENT:])) if gaps else None


def _away(history: History, now: datetime) -> str | None:
    try:
        return history.away_until if history.away_until and now < datetime.fromisoformat(history.away_until) else None
    except (ValueError, TypeError):
        return None


def _seconds_since(rfc3339: str, now: datetime) -> int | None:
    at = moment_or_none(rfc3339)
    return max(0, int((now - at).total_seconds())) if at else None


def bytes_under(folder: Path) -> int:
    """The sizes of all regular files in a folder and below, added up. Raises OSError."""
    total = 0
    for path, _, names in os.walk(folder):
        for name in names:
            try:
                found = Path(path, name).lstat()
            except FileNotFoundError:
                continue  # a run is at work
            total += found.st_size if stat.S_ISREG(found.st_mode) else 0
    return total
