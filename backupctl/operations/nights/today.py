"""This board today: what it has, when its next night is, and what somebody should look at."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from backupctl.board.health import under_voltage
from backupctl.board.host import board_name
from backupctl.board.systemd import Systemd
from backupctl.domain.events import History
from backupctl.domain.policy import Policy
from backupctl.domain.units import counted, local
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards import about
from backupctl.operations.listing import captures_of, summary
from backupctl.operations.nights.retrying import zone_of
from backupctl.operations.nights.timer import installed_at
from backupctl.operations.session import clock_distrust
from backupctl.operations.shares.adopt import existing_shelf

Json = dict[str, Any]


def today(share: Path, board: str | None, policy: Policy, facts: Facts) -> Json:
    """Behind `today`. `newest_good` as in `list --json`; `about` as in `boards --json`; `attention` in words."""
    shelf = existing_shelf(share, board)
    now = facts.now()
    result: Json = {
        "board": shelf.board if shelf else board or board_name(),
        "now": now.isoformat(timespec="seconds"),
        "next_night": _next_night(policy, facts),
        "delay_seconds": policy.schedule.random_delay,
        "timer": installed_at(Systemd(), facts) is not None,
        "about": None,
        "newest_good": None,
        "oldest": None,
        "free_bytes": None,
    }
    if shelf is None:
        return result | {"attention": ["there is no capture yet: backupctl capture"]}
    captures, history = captures_of(shelf)
    found = about(shelf, now)
    good = next((record for record in captures.records if record.id == found["newest_good"]), None)
    return result | {
        "about": found,
        "newest_good": summary(good, history, now) if good else None,
        "oldest": captures.records[0].started if captures.records else None,
        "free_bytes": shelf.storage.free_bytes(),
        "attention": list(_attention(found, facts)),
    }


def _next_night(policy: Policy, facts: Facts) -> str | None:
    zone = zone_of(facts)
    night = next(parse_calendar_event(policy.schedule.when).after(facts.now(), zone), None)
    return night.astimezone(zone).isoformat(timespec="seconds") if night else None


def _attention(board: Json, facts: Facts) -> Iterator[str]:
    """`board` as in `boards.about`."""
    if board["newest_good"] is None:
        yield "there is no good capture"
    if board["overdue"]:
        yield f"it is overdue since {local(board['overdue_from'], zone=False)}: backupctl preflight"
    if board["failed"]:
        yield f"the newest capture run failed: {board['failed']}"
    if board["partial_since"]:
        yield "the card could not be read everywhere: backupctl show newest"
    if board["damaged"]:
        yield f"{counted(board['damaged'], 'capture')} damaged: backupctl list"
    if board["drill_failed"]:
        yield f"the drill of {local(board['drill_failed'], zone=False)} failed: backupctl drill"
    yield from board["problems"]
    distrust = clock_distrust(History(last_time=board["newest_event"]), facts)
    if distrust:
        yield distrust
    if under_voltage():
        yield "the power supply is too weak"
