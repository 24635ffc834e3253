"""A policy explained: its keys in words, and what it keeps of captures that are taken as it says."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import takewhile
from pathlib import Path
from typing import Any

from backupctl.domain import choosing, drawn_calendar
from backupctl.domain.errors import UsageError
from backupctl.domain.policy import Policy
from backupctl.domain.policy_words import in_words
from backupctl.formats.calendar_event import parse_calendar_event

_FIRST_YEAR, _LAST_YEAR = 1900, 9000  # a policy may reach back for a hundred years


def explain(policy: Policy, file: Path, today: date) -> dict[str, Any]:
    """Behind `policy explain`. `file` is where the policy was found. Raises UsageError for a day of no calendar."""
    if not _FIRST_YEAR <= today.year <= _LAST_YEAR:
        raise UsageError(f"no calendar is drawn of {today}", f"The years are {_FIRST_YEAR} to {_LAST_YEAR}.")
    nights = parse_calendar_event(policy.schedule.when)
    in_a_year = sum(nights.is_on(today - timedelta(days=n)) for n in range(366))
    if not in_a_year:
        raise UsageError(f"policy {policy.name} has no night in a year: {policy.schedule.when!r}", "Is that meant?")
    kept = drawn_calendar.kept_days(policy.retention, today, nights.is_on)
    fewest, most = drawn_calendar.how_many(policy.retention, today, nights.is_on)
    return {
        "name": policy.name,
        "file": str(file),
        "words": in_words(policy),
        "every_night": in_a_year == 366,
        "times_a_day": len(nights.hours) * len(nights.minutes) * len(nights.seconds),
        "today": today.isoformat(),
        "kept": [{"day": day.isoformat(), "because": list(dict.fromkeys(tiers))} for day, tiers in kept.items()],
        "captures": {"today": len(kept), "fewest": fewest, "most": most},
        "oldest": min(kept).isoformat(),
        "calendar": drawn_calendar.draw(kept, today),
    }


def left_out(policy: Policy) -> dict[str, Any]:
    """Behind `policy left-out`, for a whole system's root."""
    named = [{"pattern": text, "why": "named by the policy"} for text in policy.files.leave_out]
    known = [{"pattern": each.pattern, "why": each.why} for each in choosing.left_out(policy.files)]
    return {"name": policy.name, "left_out": named + known, "taken": list(policy.files.take)}


def listed(policy: Policy, file: Path) -> dict[str, str]:
    """A policy in a line: `name`, `when`, what it `keeps`, and what it is `about` by the first sentence in its file."""
    tiers = (("daily", "days"), ("weekly", "weeks"), ("monthly", "months"), ("yearly", "years"))
    kept = [f"{count} {noun}" for key, noun in tiers if (count := getattr(policy.retention, key))]
    kept += [f"the newest {policy.retention.newest}"] if policy.retention.newest else []
    return {
        "name": policy.name,
        "when": policy.schedule.when,
        "keeps": ", ".join(kept) or f"the newest {policy.retention.minimum}",
        "about": _first_sentence(file.read_text(encoding="utf-8")),
    }


def _first_sentence(text: str) -> str:
    """Of the comment that a policy's file begins with; empty where it begins otherwise."""
    lines = takewhile(lambda line: line.startswith("#"), text.splitlines())
    words = " ".join(line.lstrip("# ") for line in lines)
    end = min((at for mark in (". ", ": ") if (at := words.find(mark)) >= 0), default=len(words))
    return f"{words[:end].rstrip('.')}." if words else ""
