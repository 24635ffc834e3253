"""Captures as the rule of retention sees them, made up for its tests."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta, tzinfo

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Plan, Tier, plan

CARD = "image of serial 0x5eed"
OTHER_CARD = "image of serial 0xca4d"

# Periods alone: what is young, or among the newest, does not stay for that.
PERIODS_ONLY = RetentionPolicy(daily=7, weekly=4, monthly=12, yearly=3, everything_for=0, minimum=1)
NOTHING = RetentionPolicy(daily=0, weekly=0, monthly=0, yearly=0, everything_for=0, minimum=1)


def capture(
    at: datetime | str, sequence: int, lane: str = CARD, *, state: str = "good", trusted: bool = True,
    guard: str | None = None, verified: bool = False, drilled: bool = False,
) -> Candidate:  # fmt: skip
    """Its id is the time at which it was taken, to the minute, and its sequence. A text is a time in UTC."""
    if isinstance(at, str):
        at = datetime.fromisoformat(at).replace(tzinfo=UTC)
    assert state in ("good", "partial", "damaged")
    return Candidate(
        f"{at:%Y-%m-%dT%H:%M} {sequence:04}", sequence, at, trusted, lane, state, guard, verified, drilled  # type: ignore[arg-type]
    )  # fmt: skip


def nightly(first: date, last: date, zone: tzinfo = UTC) -> list[Candidate]:
    """One at three in the morning of each day, both included."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return [capture(datetime(d.year, d.month, d.day, 3, tzinfo=zone), n) for n, d in enumerate(days, start=1)]


def decide(
    captures: Iterable[Candidate], policy: RetentionPolicy = PERIODS_ONLY, now: datetime | None = None,
    zone: tzinfo = UTC, hold: str | None = None,
) -> Plan:  # fmt: skip
    """`now` is an hour after the newest if it is not said."""
    captures = list(captures)
    now = now or max(capture.at for capture in captures) + timedelta(hours=1)
    return plan(captures, policy, Circumstances(now, zone, hold))


def days_of(decided: Plan, *tiers: Tier) -> list[date]:
    """The days (UTC) of what stays, oldest first; of these tiers only, if any are named."""
    return [
        date.fromisoformat(verdict.id[:10])
        for verdict in decided.verdicts
        if verdict.stays and (not tiers or verdict.tier in tiers)
    ]


def why(decided: Plan, capture: Candidate) -> tuple[str, ...]:
    return next(verdict.reasons for verdict in decided.verdicts if verdict.id == capture.id)
