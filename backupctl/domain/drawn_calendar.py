"""What a policy keeps of captures that are taken every night: which days there are, how many, and a drawing of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta

from backupctl.domain.periods import MONTHS
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Tier, plan
from backupctl.domain.units import counted

_NIGHT = time(3, tzinfo=UTC)
_ROWS_MOST = 30
LETTERS = {Tier.DAILY: "D", Tier.WEEKLY: "W", Tier.MONTHLY: "M", Tier.YEARLY: "Y"}
OTHERWISE = "+"  # it is young, or among the newest


def kept_days(policy: RetentionPolicy, today: date) -> dict[date, tuple[Tier, ...]]:
    """What is there on `today`, oldest first, after years of nights without a gap, and why; the strongest first."""
    return _kept(_nights(today - _reach(policy), today), policy)


def how_many(policy: RetentionPolicy, today: date) -> tuple[int, int]:
    """The fewest and the most that there are after a night's thinning, in the year up to `today`.

    Of a policy that keeps hundreds, every few nights are looked at.
    """
    last_night = today - timedelta(days=366)
    there = list(kept_days(policy, last_night))
    step = timedelta(days=1 + len(there) // 100)
    counts = []
    while last_night < today:
        tonight = min(last_night + step, today)
        there = list(_kept([*there, *_nights(last_night + timedelta(days=1), tonight)], policy))
        counts.append(len(there))
        last_night = tonight
    return min(counts), max(counts)


def _nights(first: date, last: date) -> list[date]:
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _reach(policy: RetentionPolicy) -> timedelta:
    """Longer ago than any night that the policy keeps."""
    return timedelta(
        days=max(
            policy.daily,
            7 * policy.weekly + 7,
            31 * policy.monthly + 31,
            366 * policy.yearly + 366,
            policy.newest,
            policy.minimum,
            policy.everything_for // 86_400 + 1,
        )
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
