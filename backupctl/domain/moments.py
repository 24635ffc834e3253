"""Moments as people write them."""

from __future__ import annotations

from datetime import datetime, timedelta

from backupctl.domain.errors import UsageError

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def parse_as_of(text: str, now: datetime) -> datetime:
    """`sat 09:00` (the last such moment before `now`), `09:00`, `2026-11-21`, `2026-11-21 09:00`, or RFC 3339.

    Raises UsageError.
    """
    words = text.lower().split()
    try:
        if words and words[0][:3] in _WEEKDAYS and len(words) <= 2:
            at = _at_time(now, words[1] if len(words) == 2 else "23:59")
            back = (now.weekday() - _WEEKDAYS.index(words[0][:3])) % 7
            at -= timedelta(days=back)
            return at if at <= now else at - timedelta(days=7)
        if len(words) == 1 and len(words[0]) <= 5 and ":" in words[0]:
            at = _at_time(now, words[0])
            return at if at <= now else at - timedelta(days=1)
        return _at(text, now)
    except (ValueError, IndexError):
        raise UsageError(f"not a moment: {text!r}", "Like 'sat 09:00', '09:00' or '2026-11-21 09:00'.") from None


def moment_or_none(rfc3339: str) -> datetime | None:
    """A time from a share, aware; None where it is none."""
    try:
        at = datetime.fromisoformat(rfc3339)
    except ValueError:
        return None
    return at if at.tzinfo else None


def _at_time(day: datetime, text: str) -> datetime:
    hour, minute = text.split(":")
    return day.replace(hour=int(hour), minute=int(minute), second=59, microsecond=0)


def parse_until(text: str, now: datetime) -> datetime:
    """The end of `2026-12-24`, `2026-12-24 18:00`, or RFC 3339. Raises UsageError, also for what is over `now`."""
    try:
        at = _at(text, now)
    except ValueError:
        raise UsageError(f"not a date: {text!r}", "Like '2026-12-24' or '2026-12-24 18:00'.") from None
    if at <= now:
        raise UsageError(f"{text} is over", "Name a day to come.")
    return at


def _at(text: str, now: datetime) -> datetime:
    """ISO 8601; a day alone means its end. Raises ValueError."""
    at = datetime.fromisoformat(text if len(text.split()) > 1 or "t" in text.lower() else f"{text}T23:59:59")
    return at if at.tzinfo else at.replace(tzinfo=now.tzinfo)
