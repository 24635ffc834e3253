"""A whole year of nightly captures under 7/4/12/3, against dates worked out by hand from a wall calendar.

The year is 2026, which begins on a Thursday and ends on one (so 2026-W53 ends on Sunday, 3 January 2027). The first of
each month of 2026: January Thu, February and March Sun, April Wed, May Fri, June Mon, July Wed, August Sat, September
Tue, October Thu, November Sun, December Tue.
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Tier
from tests.unit.shelf_of_nights import days_of, decide, nightly

YEAR = nightly(date(2026, 1, 1), date(2026, 12, 31))


def of_2026(*month_and_days: tuple[int, int]) -> list[date]:
    return [date(2026, month, day) for month, day in month_and_days]


# Last seven days: 25 to 31 December. Last four weeks, the current one (28 December to 3 January) included: their last
# captures are of Thu 31, and of the Sundays 27, 20 and 13 December. Last twelve months: the last day of each. The year:
# 31 December.
KEPT_AT_THE_END = of_2026(
    *((1, 31), (2, 28), (3, 31), (4, 30), (5, 31), (6, 30), (7, 31), (8, 31), (9, 30), (10, 31), (11, 30)),
    *((12, 13), (12, 20)),
    *((12, 25), (12, 26), (12, 27), (12, 28), (12, 29), (12, 30), (12, 31)),
)

# On Wednesday, 18 March: seven days 12 to 18; weeks: Wed 18 and the Sundays 15, 8 and 1 March; months: 18 March, 28
# February, 31 January.
KEPT_IN_MARCH = of_2026(
    *((1, 31), (2, 28), (3, 1), (3, 8), (3, 12), (3, 13), (3, 14), (3, 15), (3, 16), (3, 17), (3, 18))
)

# On Monday, 1 June, when a week and a month begin: seven days 26 May to 1 June; weeks: Mon 1 June and the Sundays 31,
# 24 and 17 May; months: 1 June, and the ends of May (a Sunday), April, March, February and January.
KEPT_IN_JUNE = of_2026(
    *((1, 31), (2, 28), (3, 31), (4, 30), (5, 17), (5, 24)),
    *((5, 26), (5, 27), (5, 28), (5, 29), (5, 30), (5, 31), (6, 1)),
)


@pytest.mark.parametrize(
    ("today", "kept"),
    [(date(2026, 3, 18), KEPT_IN_MARCH), (date(2026, 6, 1), KEPT_IN_JUNE), (date(2026, 12, 31), KEPT_AT_THE_END)],
)
def test_the_days_that_are_kept(today: date, kept: list[date]) -> None:
    taken = nightly(date(2026, 1, 1), today)
    assert days_of(decide(taken)) == kept


def test_the_same_is_kept_when_every_night_has_thinned() -> None:
    there = []
    for tonight in YEAR:
        there.append(tonight)
        decided = decide(there)
        assert decided.unusual is None, "an ordinary night never asks"
        gone = set(decided.goes)
        there = [capture for capture in there if capture.id not in gone]
    assert [date.fromisoformat(capture.id[:10]) for capture in there] == KEPT_AT_THE_END


def test_what_each_stands_for_at_the_end() -> None:
    decided = decide(YEAR)
    assert days_of(decided, Tier.YEARLY) == of_2026((12, 31))
    assert days_of(decided, Tier.MONTHLY) == KEPT_AT_THE_END[:11]
    assert days_of(decided, Tier.WEEKLY) == of_2026((12, 13), (12, 20), (12, 27))
    assert days_of(decided, Tier.DAILY) == of_2026((12, 25), (12, 26), (12, 28), (12, 29), (12, 30))


def test_three_years_on_from_a_leap_day() -> None:
    """2028 is a leap year: February ends on the 29th. Of the years before the last three nothing is left."""
    taken = nightly(date(2024, 1, 1), date(2028, 3, 1))
    # 1 March 2028 is a Wednesday (29 February a Tuesday): seven days 24 February to 1 March; weeks: Wed 1 March and the
    # Sundays 27, 20 and 13 February; months: 1 March, 29 February, and the ends of January 2028 back to April 2027;
    # years: 1 March 2028, 31 December 2027 (the end of a month as well) and 31 December 2026.
    month_ends = [(4, 30), (5, 31), (6, 30), (7, 31), (8, 31), (9, 30), (10, 31), (11, 30), (12, 31)]
    assert days_of(decide(taken)) == [
        date(2026, 12, 31),
        *(date(2027, month, day) for month, day in month_ends),
        date(2028, 1, 31),
        *(date(2028, 2, day) for day in (13, 20, 24, 25, 26, 27, 28, 29)),
        date(2028, 3, 1),
    ]


def test_days_without_a_capture_do_not_use_up_the_count() -> None:
    """A board that is on for one night a fortnight keeps the last 7 days, 4 weeks and 12 months that it has."""
    fortnightly = nightly(date(2026, 1, 1), date(2026, 12, 31))[::14]  # Thursdays: 1 and 15 January, ... 31 December
    # Seven days: 31, 17, 3 December, 19, 5 November, 22, 8 October (which covers the weeks as well); and the last of
    # each month before: 24 September, 27 August, 30 July, 18 June, 21 May, 23 April, 26 March, 26 February, 29 January.
    earlier = [(1, 29), (2, 26), (3, 26), (4, 23), (5, 21), (6, 18), (7, 30), (8, 27), (9, 24)]
    last_seven = [(10, 8), (10, 22), (11, 5), (11, 19), (12, 3), (12, 17), (12, 31)]
    assert days_of(decide(fortnightly)) == of_2026(*earlier, *last_seven)


def test_sons_fathers_and_grandfathers() -> None:
    """The oldest scheme of this kind, as the glossary of the FFIEC's handbook on business continuity has it.

    "Back-up generations": daily sets are the sons, weekly full sets the fathers, end-of-month sets the grandfathers.
    A capture is always complete, so that the newest of a week is the set of that week.
    """
    policy = RetentionPolicy(daily=6, weekly=4, monthly=6, yearly=0, everything_for=0, minimum=1)
    for today in (date(2026, 9, 13), date(2026, 11, 29)):  # Sundays: the week is complete
        decided = decide(nightly(date(2026, 1, 1), today), policy)
        kept = set(days_of(decided))
        sons = {today - timedelta(days=n) for n in range(6)}
        fathers = {today - timedelta(days=7 * n) for n in range(4)}
        first_of_months = [date(2026, today.month - n, 1) for n in range(5)]
        # The sixth month is the current one, whose newest set so far is today's.
        grandfathers = {first - timedelta(days=1) for first in first_of_months}
        assert kept == sons | fathers | grandfathers
