"""What a check before a capture comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from backupctl.domain.errors import Refused

OK, WARNING, REFUSE = "ok", "warning", "refuse"

# The run itself comes to a warning of the first four, and says more. A place tells too little of a card, and nobody
# changes the watchdog's rights at night.
_NOT_RECORDED = ("source", "clock", "manifest", "lock", "place of the card", "watchdog")


@dataclass(frozen=True)
class Check:
    """One result: `detail` says what was found, `todo` what to do about it (empty where nothing is to be done)."""

    name: str
    result: str
    detail: str
    todo: str = ""


def is_refused(checks: Sequence[Check]) -> bool:
    return any(check.result == REFUSE for check in checks)


def refuse_if_any(checks: Sequence[Check]) -> None:
    """Raises Refused with every refusal in words, one a line."""
    refused = [check for check in checks if check.result == REFUSE]
    if refused:
        raise Refused(
            "; ".join(f"{check.name}: {check.detail}" for check in refused),
            "\n".join(check.todo for check in refused if check.todo),
        )


def warnings_for_the_record(checks: Sequence[Check]) -> list[str]:
    """Warnings that a run does not come to by itself."""
    found = [check for check in checks if check.result == WARNING and check.name not in _NOT_RECORDED]
    return [f"{check.name}: {check.detail}" for check in found]


def as_json(checks: Sequence[Check]) -> list[dict[str, Any]]:
    return [asdict(check) for check in checks]
