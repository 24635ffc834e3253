"""Events of a shelf's manifest, and what follows from them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, CaptureRecord, Guard

_OFFSET_MOST = 1 << 62
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


@dataclass(frozen=True)
class Continued:
    """Somebody said that the board goes on with a new `what` (card or board). `lane` and `capture` are the old one's.

    `capture` is its newest good capture, None if it has none.
    """

    sequence: int
    what: str
    lane: str
    capture: str | None


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
    captured: set[str] = field(default_factory=set)  # whatever has become of them
    taken_by: dict[str, str] = field(default_factory=dict)  # capture -> machine, where the event says it
    scheduled: bool = False  # whether nights take captures here
    policy_changes: dict[str, object] = field(
        default_factory=dict
    )  # capture -> how its policy differs from that of the one before
    removed: set[str] = field(default_factory=set)  # captures that a run meant to remove: see share.trash
    removed_parts: set[str] = field(default_factory=set)  # that their runs wrote; other captures may need them
    guards: dict[str, Guard] = field(default_factory=dict)  # put on after the capture was taken
    unguarded: set[str] = field(default_factory=set)  # captures whose guard was taken off last
    drilled: dict[str, str] = field(
        default_factory=dict
    )  # capture -> when it last passed a drill, and failed none since
    drill_failed: dict[str, str] = field(
        default_factory=dict
    )  # capture -> when it last failed one, and passed none since
    last_drill: str = ""  # when the newest drill was made, whatever came of it; RFC 3339
    last_drill_failed: bool = False
    accepted: dict[str, Ranges] = field(default_factory=dict)  # lane -> what of the card somebody knows to be lost
    continued: tuple[Continued, ...] = ()
    away_until: str = ""  # RFC 3339: before that, nobody misses captures of the board
    failed_run: str | None = None  # why the newest capture run came to nothing; None also where room was what it lacked
    undated: dict[str, str] = field(default_factory=dict)  # capture under a clock not trusted -> nearest trusted time
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
            for capture in [capture for capture, time in history.undated.items() if not time]:
                history.undated[capture] = event.time
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
        _fold_runs(history, event)
        _fold_wishes(history, event)
    return history


def _fold_runs(history: History, event: Event) -> None:
    body = event.body
    match event.kind:
        case "captured":
            history.failed_run = None
            history.captured.add(str(body.get("capture")))
            if isinstance(event.by.get("machine"), str):
                history.taken_by[str(body.get("capture"))] = event.by["machine"]
            history.scheduled = history.scheduled or body.get("scheduled") is True
            history.policy_changes[str(body.get("capture"))] = body.get("policy_changes")
            if not event.trusted and isinstance(body.get("capture"), str):
                history.undated[body["capture"]] = history.last_time  # empty: the next trusted one is told above
        case "thinning":
            history.removed |= _texts(body.get("captures"))
            history.removed_parts |= _texts(body.get("parts"))
        case "failed" | "interrupted" if body.get("what") == "capture":
            history.failed_run = None if body.get("room") is True else str(body.get("cause"))
        case "took-over" if kind_of_run(str(body.get("doing"))) == "capture":
            history.failed_run = None if _list(body.get("captures")) else "it ended without a word"


def _fold_wishes(history: History, event: Event) -> None:
    """What somebody has said about captures and the board."""
    body = event.body
    capture, until = body.get("capture"), body.get("until")
    if event.kind == "away":
        history.away_until = until if isinstance(until, str) else ""
    elif event.kind == "continued":
        before = capture if isinstance(capture, str) else None
        history.continued += (Continued(event.sequence, str(body.get("what")), str(body.get("lane")), before),)
    elif isinstance(capture, str):
        match event.kind:
            case "guarded":
                history.guards[capture] = Guard(str(body.get("reason")), until if isinstance(until, str) else None)
                history.unguarded.discard(capture)
            case "unguarded":
                history.guards.pop(capture, None)
                history.unguarded.add(capture)
            case "drilled":
                _fold_drill(history, event, capture)
            case "accepted":
                lane = str(body.get("lane"))
                history.accepted[lane] = history.accepted.get(lane, Ranges()) | _ranges(body.get("ranges"))


def _fold_drill(history: History, event: Event, capture: str) -> None:
    """One that could not look at all that matters (`passed` is neither) leaves what was known of the capture."""
    passed = event.body.get("passed")
    history.last_drill, history.last_drill_failed = event.time, passed is False
    if passed is True:
        history.drilled[capture] = event.time
        history.drill_failed.pop(capture, None)
    elif passed is False:
        history.drill_failed[capture] = event.time
        history.drilled.pop(capture, None)


def kind_of_run(doing: str) -> str:
    """What a run is, by the words that its lock has for it: the first of them."""
    return doing.partition(" ")[0]


def guard_of(record: CaptureRecord, history: History, now: datetime) -> Guard | None:
    """The guard that is in force `now` (aware). An end that cannot be read is none."""
    guard = history.guards.get(record.id) or (None if record.id in history.unguarded else record.guard)
    if guard is None:
        return None
    try:
        ended = guard.until is not None and now >= datetime.fromisoformat(guard.until)
    except (ValueError, TypeError):
        ended = False
    return None if ended else guard


def counts_as_good(record: CaptureRecord, history: History) -> bool:
    """Whether all of the card is in the capture but for what somebody knows to be lost. Damage is another matter."""
    lost = Ranges(record.unreadable)
    return record.state == GOOD or (bool(lost) and not lost - history.accepted.get(record.lane, Ranges()))


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _copies(value: object) -> set[tuple[str, str]]:
    return {
        (copy[0], copy[1])
        for copy in _list(value)
        if isinstance(copy, list) and len(copy) == 2 and isinstance(copy[0], str) and isinstance(copy[1], str)
    }


def _ranges(value: object) -> Ranges:
    return Ranges(
        (pair[0], pair[1])
        for pair in _list(value)
        if isinstance(pair, list) and len(pair) == 2 and all(type(n) is int for n in pair)
        if 0 <= pair[0] < pair[1] <= _OFFSET_MOST
    )


def _texts(value: object) -> set[str]:
    return {item for item in _list(value) if isinstance(item, str)}
