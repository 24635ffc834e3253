"""Days, weeks, months and years, against published rows of the ISO 8601 calendar and against the zone database."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from backupctl.domain.periods import PERIODS, local_day, numbers

YEAR, MONTH, WEEK, DAY = range(4)

# The first three are examples in the PostgreSQL manual, under EXTRACT, week; the others in articles on ISO 8601.
PUBLISHED = [
    ("2005-01-01", 2004, 53),
    ("2006-01-01", 2005, 52),
    ("2012-12-31", 2013, 1),
    ("2006-12-31", 2006, 52),
    ("2016-01-03", 2015, 53),
]
BERLIN, KIRITIMATI, PAGO_PAGO = (
    ZoneInfo(name) for name in ("Europe/Berlin", "Pacific/Kiritimati", "Pacific/Pago_Pago")
)


@pytest.mark.parametrize(("day", "year", "week"), PUBLISHED)
def test_weeks_as_published(day: str, year: int, week: int) -> None:
    at = date.fromisoformat(day)
    assert PERIODS[WEEK].words(at, year) == f"week {week}"
    assert PERIODS[WEEK].words(at, 1999) == f"week {week} of {year}"


def test_a_week_is_from_monday_to_sunday() -> None:
    """ISO 8601: weeks begin on Monday. 17 November 2026 is a Tuesday."""
    monday = date(2026, 11, 16)
    week = {numbers(monday + timedelta(days=n))[WEEK] for n in range(7)}
    assert len(week) == 1
    assert numbers(monday - timedelta(days=1))[WEEK] == min(week) - 1
    assert numbers(monday + timedelta(days=7))[WEEK] == min(week) + 1


def test_as_many_weeks_and_days_as_the_calendar_repeats_after() -> None:
    """The Gregorian calendar repeats after 400 years, which are 146097 days or 20871 weeks."""
    first, last = numbers(date(2000, 1, 1)), numbers(date(2400, 1, 1))
    assert (last[DAY] - first[DAY], last[WEEK] - first[WEEK]) == (146_097, 20_871)
    assert (last[YEAR] - first[YEAR], last[MONTH] - first[MONTH]) == (400, 4800)


def test_numbers_only_grow() -> None:
    found = [numbers(date(1999, 1, 1) + timedelta(days=n)) for n in range(3000)]
    for period in range(len(PERIODS)):
        column = [row[period] for row in found]
        assert column == sorted(column)
        assert set(range(column[0], column[-1] + 1)) == set(column), "without a gap"


@pytest.mark.parametrize(
    ("day", "this_year", "words"),
    [
        (date(2026, 11, 17), 2026, ("2026", "November", "week 47", "Tue 17 Nov")),
        (date(2026, 11, 3), 2027, ("2026", "November 2026", "week 45 of 2026", "Tue 03 Nov 2026")),
        # The Thursday of that week is of 2026, so its week is this year's, though its month is not.
        (date(2025, 12, 29), 2026, ("2025", "December 2025", "week 1", "Mon 29 Dec 2025")),
        (date(2027, 1, 3), 2027, ("2027", "January", "week 53 of 2026", "Sun 03 Jan")),
    ],
)
def test_words(day: date, this_year: int, words: tuple[str, ...]) -> None:
    assert tuple(period.words(day, this_year) for period in PERIODS) == words


@pytest.mark.parametrize("fold", [0, 1])
def test_the_hour_that_comes_twice(fold: int) -> None:
    """In Berlin on 25 October 2026, 02:30 is at 00:30 and at 01:30 UTC (zone database): of the same day both times."""
    at = datetime(2026, 10, 25, 2, 30, fold=fold, tzinfo=BERLIN)
    assert at.astimezone(UTC) == datetime(2026, 10, 25, fold, 30, tzinfo=UTC)
    assert local_day(at, BERLIN) == local_day(at.astimezone(UTC), BERLIN) == date(2026, 10, 25)


def test_the_hour_that_is_skipped() -> None:
    """In Berlin on 29 March 2026 there is no 02:30: what a timer calls that is 01:30 UTC, 03:30 on the clock."""
    at = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert at.astimezone(BERLIN).hour == 3
    assert local_day(at, BERLIN) == local_day(datetime(2026, 3, 29, 2, 30, tzinfo=BERLIN), BERLIN) == date(2026, 3, 29)


def test_days_that_are_not_24_hours() -> None:
    """The night of 25 October has 25 hours, that of 29 March 23: midnights are those of the wall."""
    for midnight in (datetime(2026, 3, 29, tzinfo=BERLIN), datetime(2026, 10, 26, tzinfo=BERLIN)):
        before = midnight.astimezone(UTC) - timedelta(seconds=1)
        assert (local_day(midnight, BERLIN) - local_day(before, BERLIN)).days == 1


def test_one_moment_is_two_days_apart() -> None:
    """14 hours before, and 11 after UTC (zone database): at 10:30 UTC it is three different days."""
    at = datetime(2026, 11, 17, 10, 30, tzinfo=UTC)
    assert [local_day(at, zone) for zone in (PAGO_PAGO, BERLIN, KIRITIMATI)] == [
        date(2026, 11, 16),
        date(2026, 11, 17),
        date(2026, 11, 18),
    ]


@pytest.mark.parametrize("at", [datetime.min, datetime.max])
def test_the_ends_of_the_calendar(at: datetime) -> None:
    for hours in (-23, 0, 23):
        assert local_day(at.replace(tzinfo=UTC), timezone(timedelta(hours=hours))).year == at.year
