"""What a drill comes to, and when the next one is due."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

# Shorter than they are called, so that a night of the same hour is not put off by a minute.
EVERY = {
    "weekly": timedelta(days=6, hours=12),
    "monthly": timedelta(days=29, hours=12),
    "quarterly": timedelta(days=90, hours=12),
    "yearly": timedelta(days=364, hours=12),
}
NEVER = "never"


class Outcome(StrEnum):
    """Of one check."""

    WELL = "well"
    WARNING = "warning"
    WRONG = "wrong"
    NOT_CHECKED = "not checked"


@dataclass(frozen=True)
class Finding:
    """What one check found. `matters`: without it, nobody can say that the board would boot."""

    name: str
    outcome: Outcome
    detail: str
    matters: bool = True


class Verdict(StrEnum):
    """Of a whole drill. `INCOMPLETE`: nothing is wrong, but something that matters could not be looked at."""

    PASSED = "passed"
    INCOMPLETE = "incomplete"
    FAILED = "failed"


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    found = list(findings)
    if any(finding.outcome is Outcome.WRONG for finding in found):
        return Verdict.FAILED
    unknown = any(finding.outcome is Outcome.NOT_CHECKED and finding.matters for finding in found)
    return Verdict.INCOMPLETE if unknown or not found else Verdict.PASSED


def is_due(last: datetime | None, failed: bool, every: str, now: datetime) -> bool:
    """Whether a night makes a drill. `last`: when the newest one was made, and whether it `failed`.

    After one that failed, each night makes another, until one passes: then it is known whether the next capture boots.
    One from the future, by a clock that was wrong, does not count.
    """
    if every == NEVER:
        return False
    return last is None or failed or now - last >= EVERY[every] or last - now > timedelta(days=1)
