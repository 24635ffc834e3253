"""What a policy does to the captures of a shelf, from their records, the manifest and the moment."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from backupctl.domain.events import History, counts_as_good, guard_of
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.record import CaptureRecord
from backupctl.domain.retention import Candidate, Circumstances, Plan, plan
from backupctl.operations.facts import Facts
from backupctl.operations.session import clock_distrust
from backupctl.share.captures import Captures


def plan_of(
    captures: Captures, history: History, policy: RetentionPolicy, facts: Facts, server: datetime | None = None
) -> Plan:
    """Which captures stay and which go, by `policy`, now.

    `server`: what the clock of the share's server says, if it is known; it can vouch for this machine's. A capture
    whose record cannot be read is not in the plan, and stays.
    """
    candidates, circumstances = situation(captures, history, facts, server)
    return plan(candidates, policy, circumstances)


def situation(
    captures: Captures, history: History, facts: Facts, server: datetime | None = None
) -> tuple[list[Candidate], Circumstances]:
    """What a plan is made of, whatever the policy; as for `plan_of`."""
    now = facts.now()
    continued = tuple(replace(said, lane=_lane(said.lane, said.sequence, history)) for said in history.continued)
    circumstances = Circumstances(now, _zone(captures, facts), _hold(history, facts, server), continued)
    return [_candidate(record, history, now) for record in captures.records], circumstances


def _candidate(record: CaptureRecord, history: History, now: datetime) -> Candidate:
    damaged = record.id in history.damaged_captures
    guard = guard_of(record, history, now)
    return Candidate(
        id=record.id,
        sequence=record.sequence,
        at=datetime.fromisoformat(record.started) if record.clock_trusted else _nearest_time(record, history, now),
        trusted=record.clock_trusted,
        lane=_lane(record.lane, record.sequence, history),
        state="damaged" if damaged else "good" if counts_as_good(record, history) else "partial",
        guard=guard.reason if guard else None,
        verified=record.id in history.verified and not damaged,
        drilled=record.id in history.drilled and not damaged,
    )


def _nearest_time(record: CaptureRecord, history: History, now: datetime) -> datetime:
    """Of a capture under a clock that was not trusted, by events and not by captures, which come and go."""
    try:
        at = datetime.fromisoformat(history.undated.get(record.id, ""))
    except ValueError:
        return now
    return at if at.tzinfo else now


def _lane(lane: str, sequence: int, history: History) -> str:
    """The lane at that time: where only a path tells cards apart, another card is another one by somebody's word."""
    before = sum(said.lane == lane and said.sequence < sequence for said in history.continued)
    return f"{lane}, card {before + 1}" if before and " of path " in lane else lane


def _hold(history: History, facts: Facts, server: datetime | None) -> str | None:
    """Why everything stays as it is; None if there is no such reason."""
    doubt = clock_distrust(history, facts, server)
    if doubt is not None:
        return f"the clock is not trusted: {doubt}"
    if history.failed_run is not None:
        return f"the newest capture run failed: {history.failed_run}"
    return None


def _zone(captures: Captures, facts: Facts) -> tzinfo:
    """Where the board is: its days begin at its own midnight, wherever this runs."""
    for name in (*(record.zone for record in captures.records[-1:]), facts.zone):
        try:
            if name:
                return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):  # no such zone, or no name of one
            continue
    return UTC
