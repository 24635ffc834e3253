"""The calendar of what a policy keeps, against days and a drawing worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from backupctl.domain.drawn_calendar import draw, how_many, kept_days
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Tier
from tests.unit.shelf_of_nights import NOTHING
from tests.unit.test_retention_year import KEPT_AT_THE_END

NEW_YEARS_EVE = date(2026, 12, 31)

# 7/4/12/3 on Tuesday, 24 November 2026: seven days from the 18th; the Sundays 22 (a day of the seven as well), 15 and 8
# November, beside this week; the last days of eleven months; of the years 2025, which is one of these months, and 2024.
DRAWN = """\
         1       5        10        15        20        25        30
Nov 2026 . . . . . . . W . . . . . . W . . D D D D D D D
Oct 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Sep 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Aug 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Jul 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Jun 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
May 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Apr 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Mar 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Feb 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Jan 2026 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Dec 2025 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . M
Dec 2024 . . . . . . . . . . . . . . . . . . . . . . . . . . . . . . Y""".splitlines()


def test_what_is_kept_after_years_of_nights() -> None:
    """As in the year worked out by hand, and the last night of each of the two years before."""
    kept = list(kept_days(RetentionPolicy(), NEW_YEARS_EVE))
    assert kept == [date(2024, 12, 31), date(2025, 12, 31), *KEPT_AT_THE_END]


def test_the_drawing() -> None:
    today = date(2026, 11, 24)
    assert draw(kept_days(RetentionPolicy(), today), today) == DRAWN


def test_what_is_young_or_among_the_newest_is_marked() -> None:
    today = date(2026, 11, 24)
    for policy in (
        replace(NOTHING, minimum=3),
        replace(NOTHING, newest=3),
        replace(NOTHING, everything_for=3 * 86_400),
    ):
        assert draw(kept_days(policy, today), today)[1:] == [f"Nov 2026{21 * ' .'} + + +"]


def test_a_drawing_has_an_end() -> None:
    today = date(2026, 11, 24)
    lines = draw(kept_days(replace(NOTHING, monthly=100), today), today)
    assert len(lines) == 32
    assert lines[-1] == "and 70 months more"
    assert max(map(len, lines)) <= 70


def test_weeks_in_which_a_single_night_is_planned() -> None:
    """2026-11-22 is a Sunday (GNU date)."""
    today = date(2026, 11, 24)
    policy = replace(NOTHING, newest=3, monthly=3)
    kept = list(kept_days(policy, today, lambda day: day.weekday() == 6))
    # The last Sundays of September, October and, up to then, of November; and the newest three.
    assert kept == [date(2026, 9, 27), date(2026, 10, 25), date(2026, 11, 8), date(2026, 11, 15), date(2026, 11, 22)]
    assert how_many(policy, today, lambda day: day.weekday() == 6) == (4, 5)
    assert kept_days(policy, today, lambda day: (day.month, day.day) == (2, 30)) == {}


def test_how_many_there_are() -> None:
    """Seven days and one week beside them: the Sunday before last has gone into the seven on Mondays to Saturdays.

    Under 7/2/0/0, on a Sunday the seven days are this week, and the Sunday before is an eighth; on any other day the
    last Sunday is one of the seven, and there is no other.
    """
    policy = replace(NOTHING, daily=7, weekly=2)
    assert how_many(policy, NEW_YEARS_EVE) == (7, 8)
    assert len(kept_days(policy, date(2026, 11, 22))) == 8  # a Sunday
    assert len(kept_days(policy, date(2026, 11, 24))) == 7


def test_how_many_of_a_policy_that_keeps_hundreds() -> None:
    assert how_many(replace(NOTHING, daily=700), NEW_YEARS_EVE) == (700, 700)


def test_why_a_day_is_kept() -> None:
    kept = kept_days(RetentionPolicy(), NEW_YEARS_EVE)
    assert kept[date(2026, 12, 27)] == (Tier.WEEKLY, Tier.DAILY)
    assert kept[date(2025, 12, 31)] == (Tier.YEARLY,)
    assert kept[NEW_YEARS_EVE][:4] == (Tier.YEARLY, Tier.MONTHLY, Tier.WEEKLY, Tier.DAILY)
