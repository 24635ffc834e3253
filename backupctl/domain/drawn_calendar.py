"""What a policy keeps of captures that are taken as planned: which days there are, how many, and a drawing of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import islice

from backupctl.domain.periods import MONTHS
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Tier, plan
from backupctl.domain.units import counted

_NIGHT = time(3, tzinfo=UTC)
_ROWS_MOST = 30
_DAYS_MOST = 400 * 366  # that are looked through for nights, which may be years apart
LETTERS = {Tier.DAILY: "D", Tier.WEEKLY: "W", Tier.MONTHLY: "M", Tier.YEARLY: "Y"}
OTHERWISE = "+"  # it is young, or among the newest


def every_night(_: date) -> bool:
    return True


def kept_days(
    policy: RetentionPolicy, today: date, is_night: Callable[[date], bool] = every_night
) -> dict[date, tuple[Tier, ...]]:
    """What is there on `today`, oldest first, after years without a gap, and why; the strongest first.

    `is_night`: whether a capture is planned for a day. If it is for none, nothing is there.
    """
    back = (today - timedelta(days=n) for n in range(min(_DAYS_MOST, today.toordinal())))
    nights = [*islice(filter(is_night, back), _reach(policy))]
    return _kept(reversed(nights), policy) if nights else {}


def how_many(policy: RetentionPolicy, today: date, is_night: Callable[[date], bool] = every_night) -> tuple[int, int]:
    """The fewest and the most that there are after a night's thinning, in the year up to `today`.

    Of a policy that keeps hundreds, every few nights are looked at. Raises ValueError if there was no night in it.
    """
    year_ago = today - timedelta(days=366)
    there = list(kept_days(policy, year_ago, is_night))
    nights = [*filter(is_night, (year_ago + timedelta(days=n) for n in range(1, 367)))]
    step = 1 + len(there) // 100
    counts = []
    for first in range(0, len(nights), step):
        there = list(_kept([*there, *nights[first : first + step]], policy))
        counts.append(len(there))
    return min(counts), max(counts)


def _reach(policy: RetentionPolicy) -> int:
    """More nights than it keeps any of, also where a day, a week, a month or a year has no more than one."""
    return max(
        policy.daily,
        7 * policy.weekly + 7,
        31 * policy.monthly + 31,
        366 * policy.yearly + 366,
        policy.newest,
        policy.minimum,
        policy.everything_for // 86_400 + 1,
    )


def _kept(nights: Iterable[date], policy: RetentionPolicy) -> dict[date, tuple[Tier, ...]]:
    taken = [
        Candidate(night.isoformat(), number, datetime.combine(night, _NIGHT), True, "image", "good")
        for number, night in enumerate(nights)
    ]
    verdicts = plan(taken, policy, Circumstances(taken[-1].at, UTC)).verdicts
    return {
        candidate.at.date(): tuple(tier for tier, _ in verdict.because)
        for candidate, verdict in zip(taken, verdicts, strict=True)
        if verdict.stays
    }


def draw(kept: Mapping[date, Sequence[Tier]], today: date) -> list[str]:
    """One line for each month that has something, newest first; at most 70 characters wide.

    A letter says for which period a day stays, the shortest of several; a dot is a night whose capture is gone.
    """
    head = " " * 8 + "".join(f"{day if day == 1 or day % 5 == 0 else '':>2}" for day in range(1, 32))
    months = sorted({day.replace(day=1) for day in kept}, reverse=True)
    rows = [_row(month, kept, today) for month in months[:_ROWS_MOST]]
    more = [f"and {counted(len(months) - _ROWS_MOST, 'month')} more"] if len(months) > _ROWS_MOST else []
    return [head.rstrip(), *rows, *more]


def _row(month: date, kept: Mapping[date, Sequence[Tier]], today: date) -> str:
    cells = []
    for day in (month + timedelta(days=n) for n in range(31)):
        if day.month == month.month and day <= today:
            letters = [LETTERS[tier] for tier in kept.get(day, ()) if tier in LETTERS]
            cells.append(letters[-1] if letters else OTHERWISE if day in kept else ".")
    return f"{MONTHS[month.month - 1][:3]} {month.year}" + "".join(f" {cell}" for cell in cells)
