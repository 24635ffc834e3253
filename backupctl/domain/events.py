"""Events of a shelf's manifest, and what follows from them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

_HASH = re.compile(r"[0-9a-f]{32}(?:[0-9a-f]{32})?")


@dataclass(frozen=True)
class Event:
    """One thing that happened. `time` is RFC 3339 by the board's clock, which may be wrong: order is by `sequence`."""

    sequence: int
    token: str  # 8 hex digits; breaks ties of sequence
    kind: str
    time: str
    trusted: bool  # whether the clock was trusted
    by: dict[str, Any]  # host, program version, run
    body: dict[str, Any] = field(default_factory=dict)


@dataclass
class History:
    """What the events of a shelf say together, up to now. Hashes are in hex."""

    confirmed_parts: dict[str, int] = field(
        default_factory=dict
    )  # hashed since the run that wrote them: by which event
    damaged_parts: set[str] = field(default_factory=set)  # nothing of them may be referred to
    damaged_copies: set[tuple[str, str]] = field(default_factory=set)  # (part, hash)
    damaged_captures: dict[str, set[str]] = field(default_factory=dict)  # capture -> segments without an intact copy
    verified: dict[str, str] = field(default_factory=dict)  # capture -> when it was last found whole
    superseded: dict[str, set[str]] = field(default_factory=dict)  # lock token -> captures that it had committed
    nights: int = 0  # partial verifications so far, which decides which slice is next
    last_sequence: int = 0
    last_time: str = ""  # of the newest event under a trusted clock

    def is_superseded(self, capture: str, lock_token: str) -> bool:
        """Whether a record was written by a run that woke up after its lock had been taken over."""
        return lock_token in self.superseded and capture not in self.superseded[lock_token]

    def is_intact(self, part: str, hash_hex: str) -> bool:
        """Whether nothing is known against this copy of a segment."""
        return part not in self.damaged_parts and (part, hash_hex) not in self.damaged_copies


def fold(events: Iterable[Event]) -> History:
    """What `events`, in order, amount to. Fields of the wrong type, from a hostile share, count as absent."""
    history = History()
    for event in events:
        history.last_sequence = max(history.last_sequence, event.sequence)
        if event.trusted:
            history.last_time = max(history.last_time, event.time)
        body = event.body
        for part in _texts(body.get("confirmed_parts")):
            history.confirmed_parts.setdefault(part, event.sequence)
        history.damaged_parts |= _texts(body.get("damaged_parts"))
        history.damaged_parts -= _texts(body.get("intact_parts"))
        history.damaged_copies |= _copies(body.get("damaged_copies"))
        history.damaged_copies -= _copies(body.get("intact_copies"))
        damaged = body.get("damaged_captures")
        for capture, hashes in damaged.items() if isinstance(damaged, dict) else ():
            history.damaged_captures[str(capture)] = {hash for hash in _texts(hashes) if _HASH.fullmatch(hash)}
        for capture in _texts(body.get("healed_captures")) | _texts(body.get("whole_captures")):
            history.damaged_captures.pop(capture, None)
        history.verified |= dict.fromkeys(_texts(body.get("whole_captures")), event.time)
        if event.kind == "verified" and isinstance(body.get("slice"), list):
            history.nights += 1
        elif event.kind == "took-over" and isinstance(body.get("lock"), str):
            history.superseded.setdefault(body["lock"], set()).update(_texts(body.get("captures")))
    return history


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _copies(value: object) -> set[tuple[str, str]]:
    return {
        (copy[0], copy[1])
        for copy in _list(value)
        if isinstance(copy, list) and len(copy) == 2 and isinstance(copy[0], str) and isinstance(copy[1], str)
    }


def _texts(value: object) -> set[str]:
    return {item for item in _list(value) if isinstance(item, str)}
