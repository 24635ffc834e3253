"""Whether the night that was planned last came to nothing, and is to be tried again now."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from backupctl.domain.due import capture_of, window_of
from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import Policy
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.operations.facts import Facts
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.share.manifest import read_manifest


def due(
    share: Path, board: str | None, policy: Policy, facts: Facts, uptime_seconds: float, installed: datetime | None
) -> dict[str, Any]:
    """Behind `timer due`. Nights from before `installed`, when the timer was set up, are none of its business.

    Only within the window is the share looked at; where it cannot be read, the night is tried, which says why.
    """
    now, zone = facts.now(), zone_of(facts)
    night = parse_calendar_event(policy.schedule.when).latest(now, zone)
    if night is None or (installed and night < installed):
        return _answer(False, "no night was planned since the timer was installed", night, zone)
    name = f"the night of {_words(night, zone)}"
    window = window_of(policy.schedule, night, now - timedelta(seconds=uptime_seconds))
    if now < window.begins:
        return _answer(False, f"the timer begins {name} by {_words(window.begins, zone)}", night, zone)
    if now >= window.ends:
        return _answer(False, f"the time to try {name} again was over {_words(window.ends, zone)}", night, zone)
    try:
        taken = capture_of(night, _captured(share, board), now)
    except (BackupctlError, OSError) as error:
        return _answer(True, f"{name} may have no capture; the share cannot be read: {error}", night, zone)
    if taken is not None:
        return _answer(False, f"{name} has its capture, of {_words(taken, zone)}", night, zone)
    return _answer(True, f"{name} has no capture, and is tried until {_words(window.ends, zone)}", night, zone)


def zone_of(facts: Facts) -> tzinfo:
    """Of this machine; UTC where that cannot be known."""
    try:
        return ZoneInfo(facts.zone) if facts.zone else UTC
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


def _captured(share: Path, board: str | None) -> Iterator[datetime]:
    """When each capture of the board was committed, those that are gone by now included."""
    shelf = existing_shelf(share, board)
    for event in read_manifest(shelf.storage).events if shelf else ():
        try:
            at = datetime.fromisoformat(event.time)
        except ValueError:
            continue
        if event.kind == "captured" and at.tzinfo is not None:
            yield at


def _words(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%a %d %b %H:%M}"


def _answer(is_due: bool, why: str, night: datetime | None, zone: tzinfo) -> dict[str, Any]:
    planned = night.astimezone(zone).isoformat(timespec="seconds") if night else None
    return {"due": is_due, "why": why, "night": planned}
