"""Days, weeks, months and years of a calendar: which one a day is in, and what it is called.

Names are English and do not depend on a locale.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from functools import lru_cache

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


@dataclass(frozen=True)
class Period:
    """One kind of period. `words` names the one that a day is in, with the year where that is not the one given."""

    noun: str
    words: Callable[[date, int], str]


@lru_cache(maxsize=4096)
def numbers(day: date) -> tuple[int, int, int, int]:
    """Of the year, month, week and day: the same for all days of one period, and greater for later ones.

    Weeks begin on Monday (ISO 8601), and day 1 of the calendar, 1 January of the year 1, was one.
    """
    ordinal = day.toordinal()
    return day.year, day.year * 12 + day.month, (ordinal - 1) // 7, ordinal


def day_words(day: date, this_year: int) -> str:
    """`Tue 17 Nov`, or `Tue 17 Nov 2026`."""
    return f"{_WEEKDAYS[day.weekday()]} {day.day:02} {MONTHS[day.month - 1][:3]}" + _other(" ", day.year, this_year)


def _week_words(day: date, this_year: int) -> str:
    # The year of a week is that of its Thursday, not that of the day.
    year, week, _ = day.isocalendar()
    return f"week {week}" + _other(" of ", year, this_year)


def _month_words(day: date, this_year: int) -> str:
    return MONTHS[day.month - 1] + _other(" ", day.year, this_year)


def _year_words(day: date, this_year: int) -> str:
    return str(day.year)


def _other(between: str, year: int, this_year: int) -> str:
    return "" if year == this_year else f"{between}{year}"


PERIODS = (
    Period("year", _year_words),
    Period("month", _month_words),
    Period("week", _week_words),
    Period("day", day_words),
)


def local_day(at: datetime, zone: tzinfo) -> date:
    """The day that it was in `zone` at the moment `at` (aware)."""
    try:
        return at.astimezone(zone).date()
    except OverflowError:  # a record can say the year 1, and be a few hours off it in another zone
        return at.date()
