"""Whether the last night is to be tried again, and how old the newest capture may be. Times are aware."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from backupctl.domain.policy import SchedulePolicy

_CLOCK = timedelta(hours=1)  # that clocks are corrected by now and then, or put to by the season

_LONGEST = 400 * 86_400  # seconds


@dataclass(frozen=True)
class Window:
    """When a night is tried again: from `begins` until `ends`."""

    night: datetime  # as planned
    begins: datetime
    ends: datetime


def window_of(schedule: SchedulePolicy, night: datetime, booted: datetime) -> Window:
    """For a night that was planned at `night`. Before its random delay is over, its timer may yet begin it.

    It ends so long after the night, or after the board was started if that was later: what cut a night short by cutting
    the power, or made the board miss it, is over then.
    """
    begins = night + timedelta(seconds=schedule.random_delay)
    return Window(night, begins, max(begins, booted) + timedelta(seconds=schedule.window))


def capture_of(night: datetime, captured: Iterable[datetime], now: datetime) -> datetime | None:
    """When the night's capture was taken, by the times of all captures; None if it has none.

    One from before the clock was set counts for nothing: a capture too many is better than none.
    """
    return next((at for at in captured if night <= at <= now + _CLOCK), None)


def recorded_schedule(policy: Mapping[str, Any]) -> SchedulePolicy | None:
    """What `overdue_from` needs of the policy that a capture's record has; None if that has nothing of the kind."""
    table = policy.get("schedule")
    overdue, delay = (
        (table.get(key) for key in ("overdue", "random_delay")) if isinstance(table, dict) else (None, None)
    )
    if type(overdue) is int and type(delay) is int and 0 <= overdue <= _LONGEST and 0 <= delay <= _LONGEST:
        return SchedulePolicy(overdue=overdue, random_delay=delay)
    return None


def overdue_from(newest_good: datetime, schedule: SchedulePolicy) -> datetime:
    """The moment from which a board is overdue whose newest good capture was begun at `newest_good`.

    The next one may come as much later as the random delay is long, and an hour after a change of clocks.
    """
    return newest_good + timedelta(seconds=schedule.overdue + schedule.random_delay) + _CLOCK
