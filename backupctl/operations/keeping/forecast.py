"""What policies will cost a board: today, in a year, and when every period that they count has been reached."""

from __future__ import annotations

import random
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from functools import cache
from itertools import pairwise
from math import ceil
from typing import Any

from backupctl.domain.assumptions import Assumptions, assumed
from backupctl.domain.events import History
from backupctl.domain.forecast import (
    NINE_IN_TEN,
    Forecast,
    days_until_filled,
    days_until_steady,
    forecast,
    nights_to_come,
    runs_for,
)
from backupctl.domain.policy import Policy, RetentionPolicy
from backupctl.domain.resampling import Chance
from backupctl.domain.retention import plan
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.domain.units import counted
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.retention_plan import situation
from backupctl.operations.keeping.shelf_ahead import Ahead, ShelfReading, kind_of
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.share.captures import Captures
from backupctl.share.shelf import Shelf

Json = dict[str, Any]
Each = Callable[[str], None]

YEAR = 365  # days
_SEARCH_RUNS = 4
_A_DAY = timedelta(days=1)
_TICK_DAYS = 7
_SHARES = (0.75, 0.5, 0.35, 0.25, 0.15, 0.1, 0.0)  # of the periods that a policy counts
_PAST = (("week", 7), ("month", 31), ("quarter", 92), ("year", 366), ("before", 36_600))


def costs_ahead(shelf: Shelf, policies: Sequence[Policy], facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """What each of `policies` would keep and cost; of the first, also week by week, and whether the share fills.

    Captures of the newest one's `kind` are foreseen; those that there are of others (`of_other_kinds`) are kept by the
    policy, and no more of them come.

    Raises NotFound without a capture, Malformed for the newest one's contents, OSError, Interrupted.
    """
    reading = ShelfReading(shelf, facts, reporter.note)
    try:
        nights = reading.nights
        guess = None if nights else Assumptions(reading.captures.records[-1].in_use_bytes)
        boards = _boards(
            policies,
            reading.interval if guess is None else _A_DAY,
            lambda days: reading.ahead(nights, days) if guess is None else _assumed(guess, facts, days),
        )
        today = [_today(reading, policy) for policy in policies]
    finally:
        reading.close()
    room = boards[0].year.shelf.bytes_now + shelf.storage.free_bytes()
    told = _costs(boards, today, room, step_by_step(reporter, stop))
    kind = kind_of(reading.newest.id)
    others = sum(kind_of(candidate.id) != kind for candidate in reading.candidates)
    how = {"nights_measured": len(nights), "assumed": guess and asdict(guess), "kind": kind, "of_other_kinds": others}
    return {"board": shelf.board, **how, **told}


def costs_of_a_new_board(
    assumptions: Assumptions, policies: Sequence[Policy], room: int | None, facts: Facts, reporter: Reporter, stop: Stop
) -> Json:
    """The same for a board without a history; `room`: bytes that there are for it, if that is known."""
    boards = _boards(policies, _A_DAY, lambda days: _assumed(assumptions, facts, days))
    told = _costs(boards, [None for _ in policies], room, step_by_step(reporter, stop))
    return {"board": None, "nights_measured": 0, "assumed": asdict(assumptions), **told}


@dataclass(frozen=True)
class _Board:
    """What the simulations of one policy start from: a sample for the year, and one for all `days` until the end."""

    policy: Policy
    days: int
    year: Ahead
    long: Ahead


def _boards(policies: Sequence[Policy], interval: timedelta, ahead: Callable[[int], Ahead]) -> list[_Board]:
    """Each with samples of its own: what a policy costs does not depend on what it is compared with."""
    ahead = cache(ahead)
    horizons = [(policy, _horizon(policy, interval)) for policy in policies]
    return [_Board(policy, days, ahead(YEAR), ahead(days)) for policy, days in horizons]


def _assumed(assumptions: Assumptions, facts: Facts, days: int) -> Ahead:
    _, today = situation(Captures((), ()), History(), facts)
    shelf, nights = assumed(assumptions, SEGMENT_BYTES, today.now, days)
    return Ahead(shelf, nights, today, today.now, _A_DAY)


def _today(reading: ShelfReading, policy: Policy) -> Json:
    """What the policy keeps of the captures that there are; `freed_bytes`: whole parts that nothing would need."""
    goes = plan(reading.candidates, policy.retention, replace(reading.today, hold=None)).goes
    before, after = reading.survey.parts(), reading.survey.without(goes)
    whole = sum(
        use.file.bytes + use.file.table_bytes for part, use in after.items() if before[part].needed and not use.needed
    )
    later = sum(before[part].live_bytes - use.live_bytes for part, use in after.items() if use.needed)
    return {
        "captures": len(reading.candidates) - len(goes),
        "goes": list(goes),
        "freed_bytes": whole,
        "freed_later_bytes": later,
    }


def _costs(boards: Sequence[_Board], today: Sequence[Json | None], room: int | None, each: Each) -> Json:
    """`room`: bytes, those that the shelf has now included."""
    soon, steady = [], []
    for board in boards:
        soon.append(_run(board.year, board.policy, YEAR, NINE_IN_TEN, each))
        long = board.days > YEAR + 1
        steady.append(_run(board.long, board.policy, board.days, NINE_IN_TEN, each) if long else soon[-1])
    first = boards[0]
    fits = room is None or max(steady[0].high) <= room
    return {
        "interval_hours": first.year.interval / timedelta(hours=1),
        "now_bytes": first.year.shelf.bytes_now,
        "room_bytes": room,
        "policies": [
            {
                "policy": board.policy.name,
                "retention": _periods(board.policy.retention),
                "today": now,
                "year": _moment(a_year, len(a_year.median) - 1),
                "steady": _moment(in_the_end, len(in_the_end.median) - 1) | {"filled": _is_filled(board)},
                "kept": _kept(board.long, in_the_end),
                "written_bytes": a_year.written,
                "moved_bytes": a_year.moved,
                "full": _full(in_the_end, room),
            }
            for board, now, a_year, in_the_end in zip(boards, today, soon, steady, strict=True)
        ],
        "course": [_moment(soon[0], night) | _by_tier(soon[0], night) for night in _ticks(soon[0])],
        "never_full": None if fits or room is None else _never_full(first, room, each),
    }


def _horizon(policy: Policy, interval: timedelta) -> int:
    """Days until every period is filled; of a board that is captured many times a day, a year: more would take long."""
    return days_until_steady(policy.retention, interval) if interval >= _A_DAY / 2 else YEAR


def _is_filled(board: _Board) -> bool:
    """Whether nothing grows any more at the end, only for what a policy counts."""
    return board.days >= days_until_filled(board.policy.retention, board.long.interval)


def _run(ahead: Ahead, policy: Policy, days: int, most: int, each: Each) -> Forecast:
    times = nights_to_come(ahead.last, ahead.interval, days)
    runs = runs_for(ahead.nights, len(times), most)

    def chances() -> Iterator[Chance]:
        for run in range(runs):
            each(f"simulating {counted(days, 'day')} under {policy.name}, run {run + 1} of {runs}")
            yield random.Random(run).random

    each(f"working out what {policy.name} will keep in {counted(days, 'day')}")
    return forecast(ahead.shelf, ahead.nights, policy.retention, policy.space, times, ahead.today, chances())


def _ticks(found: Forecast) -> list[int]:
    """A night of each week, and the last."""
    every = max(1, round(_TICK_DAYS * len(found.median) / YEAR / _A_DAY.days))
    return [*range(0, len(found.median) - 1, every), len(found.median) - 1]


def _moment(found: Forecast, night: int) -> Json:
    return {
        "at": found.keeping.times[night].isoformat(),
        "captures": len(found.keeping.kept[night]),
        "low_bytes": found.low[night],
        "median_bytes": found.median[night],
        "high_bytes": found.high[night],
        "runs": found.runs,
    }


def _by_tier(found: Forecast, night: int) -> Json:
    return {"tier_bytes": {str(tier): stored for tier, stored in sorted(found.by_tier(night).items())}}


def _kept(ahead: Ahead, found: Forecast) -> Json:
    """Which captures there are in the end: how far back they reach, and how far they lie apart, in days."""
    now = found.keeping.times[-1]
    taken = [capture.at for capture in ahead.shelf.captures] + list(found.keeping.times)
    ages = sorted((now - taken[position]) / _A_DAY for position, _ in found.keeping.kept[-1])
    longest: dict[str, float | None] = {}
    since = 0
    for name, until in _PAST:
        gaps = [old - young for young, old in pairwise(ages) if young < until and old > since]
        longest[name] = round(max(gaps), 1) if gaps else None
        since = until
    return {"captures": len(ages), "oldest_days": round(ages[-1], 1), "longest_gap_days": longest}


def _full(found: Forecast, room: int | None) -> Json | None:
    """When the share has no room left, if nobody else takes any: in the middle run, and at the earliest and latest."""

    def first(totals: Sequence[int]) -> str | None:
        nights = (number for number, total in enumerate(totals) if room is not None and total > room)
        return next((found.keeping.times[number].isoformat() for number in nights), None)

    if room is None or max(found.high) <= room:
        return None
    return {"earliest": first(found.high), "median": first(found.median), "latest": first(found.low)}


def _never_full(board: _Board, room: int, each: Each) -> Json | None:
    """The most of the policy's periods under which the share has room for them all; None if it has for none."""

    def fits(share: float) -> bool:
        retention = _smaller(board.policy.retention, share)
        smaller = replace(board.policy, name=f"{share:.0%} of {board.policy.name}", retention=retention)
        return max(_run(board.long, smaller, board.days, _SEARCH_RUNS, each).high) <= room

    found = bisect_left(_SHARES, True, key=fits)
    return _periods(_smaller(board.policy.retention, _SHARES[found])) if found < len(_SHARES) else None


def _smaller(retention: RetentionPolicy, share: float) -> RetentionPolicy:
    return replace(
        retention,
        daily=max(min(3, retention.daily), ceil(share * retention.daily)),
        weekly=ceil(share * retention.weekly),
        monthly=ceil(share * retention.monthly),
        yearly=int(share * retention.yearly),
    )


def _periods(retention: RetentionPolicy) -> dict[str, int]:
    return {name: getattr(retention, name) for name in ("daily", "weekly", "monthly", "yearly", "newest")}
