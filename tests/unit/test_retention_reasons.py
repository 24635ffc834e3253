"""What keeps a capture beside its date, and what is said of each, in the words that `thin` prints."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Tier
from tests.unit.shelf_of_nights import NOTHING, OTHER_CARD, PERIODS_ONLY, capture, days_of, decide, nightly, why

BERLIN = ZoneInfo("Europe/Berlin")


def test_the_words() -> None:
    """Tuesday, 24 November 2026 is in week 48."""
    taken = nightly(date(2025, 12, 1), date(2026, 11, 24))
    taken[50] = replace(taken[50], guard="before the upgrade")
    by_day = {taken.at.date(): taken for taken in taken}
    decided = decide(taken, RetentionPolicy(yearly=1))
    said = {day: why(decided, taken) for day, taken in by_day.items()}
    assert said[date(2026, 11, 24)] == (
        "stands for 2026", "stands for November", "stands for week 48", "stands for Tue 24 Nov",
        "not older than 36 hours", "among the 3 that stay in any case", "the newest good one",
    )  # fmt: skip
    assert said[date(2026, 11, 22)] == (
        "stands for week 47", "stands for Sun 22 Nov", "among the 3 that stay in any case",
    )  # fmt: skip
    assert said[date(2026, 11, 18)] == ("stands for Wed 18 Nov",)
    assert said[date(2026, 11, 17)] == ("its week has a newer one",)
    assert said[date(2026, 10, 31)] == ("stands for October",)
    assert said[date(2026, 10, 30)] == ("its month has a newer one",)
    assert said[date(2025, 12, 31)] == ("stands for December 2025",)
    assert said[date(2025, 12, 30)] == ("its month has a newer one",)
    assert said[date(2026, 1, 20)] == ("guarded, before the upgrade",)


def test_the_words_for_what_is_too_old() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    assert why(decide(taken, replace(NOTHING, daily=7)), taken[0]) == ("older than the last 7 days with a capture",)
    assert why(decide(taken, replace(NOTHING, weekly=1)), taken[0]) == ("older than the last 1 week with a capture",)
    assert why(decide(taken, NOTHING), taken[0]) == ("not among those that the policy keeps",)


def test_several_in_a_day() -> None:
    first, second = capture("2026-11-17 03:00", 1), capture("2026-11-17 15:00", 2)
    decided = decide([first, second])
    assert why(decided, first) == ("its day has a newer one",)
    assert "stands for Tue 17 Nov" in why(decided, second)


def test_sequence_decides_which_is_newer_and_not_the_clock() -> None:
    """A clock that is put back by less than an hour is still trusted."""
    first, second = capture("2026-11-17 03:40", 1), capture("2026-11-17 03:20", 2)
    assert decide([first, second]).goes == (first.id,)


def test_everything_younger_than_a_span() -> None:
    taken = [capture(datetime(2026, 11, 17, tzinfo=UTC) + timedelta(hours=n), n) for n in range(48)]
    now = datetime(2026, 11, 18, 23, tzinfo=UTC)
    decided = decide(taken, replace(NOTHING, everything_for=12 * 3600), now=now)
    assert [v.id for v in decided.verdicts if v.stays] == [c.id for c in taken if now - c.at < timedelta(hours=12)]


@pytest.mark.parametrize(
    ("night", "hours"),
    [(date(2026, 10, 25), 25), (date(2026, 3, 29), 23)],
    ids=["the hour comes twice", "the hour is skipped"],
)
def test_a_span_is_of_hours_gone_by_when_clocks_change(night: date, hours: int) -> None:
    """From one midnight to the next in Berlin, by the zone database, it was so many hours."""
    midnight = datetime(night.year, night.month, night.day, tzinfo=BERLIN)
    next_midnight = (midnight + timedelta(days=1)).replace(tzinfo=BERLIN)
    taken = [capture(midnight, 1), capture(next_midnight, 2)]
    for span, stays in ((hours * 3600, False), (hours * 3600 + 1, True)):
        decided = decide(taken, replace(NOTHING, everything_for=span), now=next_midnight, zone=BERLIN)
        assert decided.verdicts[0].stays == stays


def test_both_captures_at_half_past_two_when_the_hour_comes_twice() -> None:
    """Of one day, the second is the newer one, though both clocks say 02:30."""
    once = capture(datetime(2026, 10, 25, 2, 30, fold=0, tzinfo=BERLIN), 1)
    again = capture(datetime(2026, 10, 25, 2, 30, fold=1, tzinfo=BERLIN), 2)
    decided = decide([again, once], zone=BERLIN, now=datetime(2026, 10, 25, 4, tzinfo=BERLIN))
    assert decided.goes == (once.id,)
    assert why(decided, once) == ("its day has a newer one",)


def test_a_capture_in_the_hour_that_is_skipped() -> None:
    """01:30 UTC on 29 March is 03:30 in Berlin, where 02:30 never is: a day of its own like any other."""
    taken = [capture(f"2026-03-{day} 01:30", day) for day in (27, 28, 29, 30)]
    decided = decide(taken, zone=BERLIN)
    assert decided.goes == ()
    assert "stands for Sun 29 Mar" in why(decided, taken[2])


def test_the_day_is_that_of_the_board() -> None:
    """22:30 and 23:30 UTC on 17 November are one day in London and two in Berlin."""
    taken = [capture("2026-11-17 22:30", 1), capture("2026-11-17 23:30", 2)]
    assert decide(taken, zone=ZoneInfo("Europe/London")).goes == (taken[0].id,)
    assert decide(taken, zone=BERLIN).goes == ()


def test_the_year_is_that_of_the_board() -> None:
    taken = [capture("2026-12-31 12:30", 1)]
    assert "stands for 2027" in why(decide(taken, zone=ZoneInfo("Pacific/Kiritimati")), taken[0])
    assert "stands for Fri 01 Jan" in why(decide(taken, zone=ZoneInfo("Pacific/Kiritimati")), taken[0])


def test_newest_and_minimum_count_whatever_the_date() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    assert len(days_of(decide(taken, replace(NOTHING, newest=5)), Tier.RECENT)) == 5
    kept = decide(taken, replace(NOTHING, minimum=4))
    assert days_of(kept) == [date(2026, 11, day) for day in (21, 22, 23, 24)]
    assert why(kept, taken[-2]) == ("among the 4 that stay in any case",)


def test_what_is_needed_on_the_bad_day() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 10))
    taken[2] = replace(taken[2], drilled=True)
    taken[4] = replace(taken[4], drilled=True, verified=True)
    taken[6] = replace(taken[6], verified=True)
    decided = decide(taken, NOTHING)
    assert days_of(decided) == [date(2026, 11, day) for day in (5, 7, 10)]
    assert why(decided, taken[4]) == ("the newest that passed a drill",)
    assert why(decided, taken[6]) == ("the newest that was verified",)


def test_a_damaged_one_is_no_proof() -> None:
    """That it was verified once is no reason to let the last good one go that was."""
    taken = nightly(date(2026, 11, 1), date(2026, 11, 3))
    taken[0] = replace(taken[0], verified=True)
    taken[1] = replace(taken[1], verified=True, state="damaged")
    assert days_of(decide(taken, NOTHING)) == [date(2026, 11, 1), date(2026, 11, 3)]


def test_a_guard_without_words() -> None:
    taken = [capture("2026-11-16 03:00", 1, guard=""), capture("2026-11-17 03:00", 2)]
    assert why(decide(taken, NOTHING), taken[0]) == ("guarded",)


def test_the_strongest_reason_is_the_tier() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    taken[22] = replace(taken[22], guard="mine")
    decided = decide(taken, RetentionPolicy())
    tiers = {verdict.id: verdict.tier for verdict in decided.verdicts}
    assert tiers[taken[6].id] is Tier.GOES
    assert tiers[taken[7].id] is Tier.WEEKLY  # Sunday, 8 November
    assert tiers[taken[22].id] is Tier.GUARDED
    assert tiers[taken[23].id] is Tier.YEARLY


def test_nothing_to_decide() -> None:
    decided = decide([], now=datetime(2026, 11, 17, tzinfo=UTC))
    assert (decided.verdicts, decided.goes, decided.held, decided.unusual) == ((), (), None, None)


def test_cards_and_kinds_are_counted_apart() -> None:
    ours = nightly(date(2026, 11, 1), date(2026, 11, 24))
    files = [replace(c, id=f"files {c.id}", lane="files of path /home") for c in ours]
    other = [replace(c, id=f"other {c.id}", lane=OTHER_CARD) for c in ours[:3]]
    alone = {v.id: v for lane in (ours, files, other) for v in decide(lane, PERIODS_ONLY, now=ours[-1].at).verdicts}
    together = {v.id: v for v in decide([*ours, *files, *other], PERIODS_ONLY).verdicts}
    assert together == alone
