"""Calendar events, as timers of systemd have them (systemd.time(7), "CALENDAR EVENTS"): what of them policies may say.

    [WEEKDAYS] [[YEAR-]MONTH-DAY] [HOUR:MINUTE[:SECOND]] [ZONE]

Weekdays are a list of `Wed` and `Mon..Fri`. Each part of date and time is `*`, or a list of `3`, `3..9`, `0/15` and
`3..9/2`. In place of weekdays, date and time: `daily`, `weekly` and the like. A zone is UTC, or a name of the IANA's.
Not understood: `~`, for days counted from the end of a month; fractions of a second; `@`, for seconds since 1970.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import product

from backupctl.domain.errors import UsageError

_LONGEST = 200
_YEARS = 1970, 2199  # as systemd: MIN_YEAR and MAX_YEAR of its src/shared/calendarspec.c (from memory)
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_ITEM = re.compile(r"(\d{1,4})(?:\.\.(\d{1,4}))?(?:/(\d{1,4}))?", re.ASCII)
_SHORTHANDS = {
    "minutely": "*-*-* *:*:00",
    "hourly": "*-*-* *:00:00",
    "daily": "*-*-* 00:00:00",
    "weekly": "Mon *-*-* 00:00:00",
    "monthly": "*-*-01 00:00:00",
    "quarterly": "*-01,04,07,10-01 00:00:00",
    "semiannually": "*-01,07-01 00:00:00",
    "yearly": "*-01-01 00:00:00",
    "annually": "*-01-01 00:00:00",
}


@dataclass(frozen=True)
class CalendarEvent:
    """All days and times that match, in ascending order each. `zone`: None for that of the machine."""

    weekdays: tuple[int, ...]  # 0 is Monday
    years: tuple[int, ...]
    months: tuple[int, ...]
    days: tuple[int, ...]
    hours: tuple[int, ...]
    minutes: tuple[int, ...]
    seconds: tuple[int, ...]
    zone: str | None = None

    def after(self, moment: datetime, zone: tzinfo) -> Iterator[datetime]:
        """The moments (UTC) after `moment` (aware), where a machine in `zone` has them.

        One that a change of clocks leaves out is left out; one that comes twice counts the first time, as with systemd.
        """
        zone = self._zone(zone)
        day = max(moment.astimezone(zone).date(), date(self.years[0], 1, 1))
        while day.year <= self.years[-1]:
            yield from (at for at in self._on(day, zone, 1) if at > moment)
            day += timedelta(days=1)

    def latest(self, moment: datetime, zone: tzinfo) -> datetime | None:
        """The last moment (UTC) that was not after `moment` (aware); None if there was none."""
        zone = self._zone(zone)
        day = min(moment.astimezone(zone).date(), date(self.years[-1], 12, 31))
        while day.year >= self.years[0]:
            for at in self._on(day, zone, -1):
                if at <= moment:
                    return at
            day -= timedelta(days=1)
        return None

    def is_on(self, day: date) -> bool:
        """Whether a day like this, in whatever year, has a moment."""
        return day.month in self.months and day.day in self.days and day.weekday() in self.weekdays

    def _zone(self, zone: tzinfo) -> tzinfo:
        return zoneinfo.ZoneInfo(self.zone) if self.zone else zone

    def _on(self, day: date, zone: tzinfo, order: int) -> Iterator[datetime]:
        """The moments of a day, the last one first if `order` is -1."""
        if not (self.is_on(day) and day.year in self.years):
            return
        for at in product(self.hours[::order], self.minutes[::order], self.seconds[::order]):
            clock = datetime.combine(day, time(*at))
            moment = clock.replace(tzinfo=zone).astimezone(UTC)
            # A time that the clocks jump over comes back as another one.
            if moment.astimezone(zone).replace(tzinfo=None) == clock:
                yield moment


def parse_calendar_event(text: str) -> CalendarEvent:
    """Raises UsageError for what is none, and for what systemd understands beyond this module."""
    try:
        return _parse(text)
    except ValueError as error:
        raise UsageError(
            f"not a time that can be planned: {text[:_LONGEST]!r} ({error})",
            "Like '*-*-* 03:17' for every night, or 'Wed,Sun 03:41'; see systemd.time(7), CALENDAR EVENTS.",
        ) from None


def _parse(text: str) -> CalendarEvent:
    if len(text) > _LONGEST:
        raise ValueError(f"longer than {_LONGEST} characters")
    words = text.split()
    zone = _zone(words[-1]) if len(words) > 1 else None
    if zone:
        words.pop()
    if len(words) == 1 and words[0].lower() in _SHORTHANDS:
        words = _SHORTHANDS[words[0].lower()].split()
    weekdays: Sequence[int] = range(7)
    if words and words[0][0].isalpha():
        weekdays = _weekdays(words.pop(0))
    elif not words:
        raise ValueError("nothing is said")
    year, month, day = _split(words.pop(0), "-", "*") if words and "-" in words[0] else ("*", "*", "*")
    hour, minute, second = _split(words.pop(0), ":", "00") if words and ":" in words[0] else ("00", "00", "00")
    if words:
        raise ValueError(f"{words[0]!r} is no date, no time and no zone")
    return CalendarEvent(
        tuple(weekdays), _numbers(year, *_YEARS), _numbers(month, 1, 12), _numbers(day, 1, 31),
        _numbers(hour, 0, 23), _numbers(minute, 0, 59), _numbers(second, 0, 59), zone,
    )  # fmt: skip


def _zone(word: str) -> str | None:
    if word.upper() == "UTC":
        return "UTC"
    try:
        return zoneinfo.ZoneInfo(word).key
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _split(word: str, between: str, missing: str) -> list[str]:
    """Three parts; a year that is missing stands in front, seconds at the end."""
    parts = word.split(between)
    if len(parts) == 2:
        parts = [missing, *parts] if between == "-" else [*parts, missing]
    if len(parts) != 3:
        raise ValueError(f"{word!r} has {len(parts)} parts")
    return parts


def _weekdays(word: str) -> list[int]:
    found: set[int] = set()
    for item in word.lower().removesuffix(",").split(","):
        first, dots, last = item.partition("..")
        start = _weekday(first)
        stop = _weekday(last) if dots else start
        if stop < start:
            raise ValueError(f"{item!r} goes beyond Sunday")
        found.update(range(start, stop + 1))
    return sorted(found)


def _weekday(name: str) -> int:
    for number, whole in enumerate(_WEEKDAYS):
        if name in (whole, whole[:3]):
            return number
    raise ValueError(f"{name!r} is no weekday")


def _numbers(text: str, low: int, high: int) -> tuple[int, ...]:
    if text == "*":
        return tuple(range(low, high + 1))
    found: set[int] = set()
    for item in text.split(","):
        match = _ITEM.fullmatch(item)
        if not match:
            raise ValueError(f"{item!r} is no number, and no '3..9' or '0/15'")
        start = _full_year(int(match[1]), low)
        step = int(match[3] or 1)
        stop = _full_year(int(match[2]), low) if match[2] else high if match[3] else start
        if not (low <= start <= stop <= high and 0 < step <= high - low):
            raise ValueError(f"{item!r} is not within {low} and {high}")
        found.update(range(start, stop + 1, step))
    return tuple(sorted(found))


def _full_year(number: int, low: int) -> int:
    # As systemd: 69 is 2069, 70 is 1970 (its calendarspec.c, from memory; held by a test).
    return number + (2000 if number < 70 else 1900) if low == _YEARS[0] and number < 100 else number
