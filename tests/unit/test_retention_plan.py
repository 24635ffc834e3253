"""What of records and manifest the retention rule gets to see, and when it is not asked at all."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.events import Event, History, fold
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, Guard, Stream
from backupctl.domain.retention import Plan
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.retention_plan import plan_of
from backupctl.share.captures import Captures

NOW = datetime(2026, 12, 1, 12, 0, tzinfo=UTC)
ONE_A_DAY = RetentionPolicy(daily=2, weekly=0, monthly=0, yearly=0, everything_for=0, minimum=1, max_removals=100)


def facts(synchronised: bool | None = True, now: datetime = NOW) -> Facts:
    return Facts("desk", "0" * 32, "start 1", "Europe/Berlin", synchronised, Path("/nonexistent"), lambda: now)


def record(day: int, hour: int = 3, **values: Any) -> CaptureRecord:
    """That of a capture on a day of November 2026, in UTC; its sequence is the day."""
    at = datetime(2026, 11, day, hour, tzinfo=UTC)
    made = CaptureRecord(
        id=f"{at:%Y%m%dT%H%M%SZ}-image-00a0ff", board="shed", kind="image", sequence=day, source={"serial": "1"},
        started=at.isoformat(), finished=at.isoformat(), zone="UTC", clock_trusted=True, label=None, state=GOOD,
        streams=(Stream(0, 0, 0, ""),), in_use_bytes=0, read_bytes=0, written_bytes=0, new_segments=0,
        frozen_seconds=None, layout={}, zeroed=(), unreadable=(), left_out=(), parts=(), policy={}, warnings=(),
        lock="", by="",
    )  # fmt: skip
    return replace(made, **values)


def after(*said: tuple[int, str, dict[str, Any]]) -> History:
    """By sequence, kind and body."""
    return fold(
        Event(number, "0" * 8, kind, "2026-11-01T00:00:00+00:00", True, {}, body) for number, kind, body in said
    )


def planned(*records: CaptureRecord, history: History | None = None, machine: Facts | None = None) -> Plan:
    return plan_of(Captures(records, ()), history or History(), ONE_A_DAY, machine or facts())


def staying(*records: CaptureRecord, history: History | None = None) -> list[int]:
    """The days of those that stay."""
    found = planned(*records, history=history)
    assert found.held is None
    return [int(verdict.id[6:8]) for verdict in found.verdicts if verdict.stays]


def test_captures_of_a_card_are_counted() -> None:
    assert staying(record(1), record(2), record(3), record(4)) == [3, 4]


def test_captures_of_two_cards_are_counted_apart() -> None:
    other = {"serial": "2"}
    assert staying(*map(record, (1, 2, 3)), *(record(day, source=other) for day in (4, 5, 6))) == [2, 3, 5, 6]


def test_a_replaced_card_is_counted_with_the_old_one() -> None:
    """The old newest stays too, until the new card has three captures and a drill."""
    cards = [*map(record, (1, 2, 3)), *(record(day, source={"serial": "2"}) for day in (5, 6, 7))]
    said = (4, "continued", {"what": "card", "lane": "image of serial 1", "capture": cards[2].id})
    assert staying(*cards, history=after(said)) == [3, 6, 7]
    drilled = (8, "drilled", {"capture": cards[3].id, "passed": True})
    assert staying(*cards, history=after(said, drilled)) == [5, 6, 7]


def test_another_card_at_the_same_place() -> None:
    """Only somebody's word tells that it is another one."""
    cards = [record(day, source={"path": "/dev/sdb"}) for day in (1, 2, 3, 5, 6, 7)]
    said = (4, "continued", {"what": "card", "lane": "image of path /dev/sdb", "capture": cards[2].id})
    assert staying(*cards) == [6, 7]
    assert staying(*cards, history=after(said)) == [3, 6, 7]
    drilled = (8, "drilled", {"capture": cards[3].id, "passed": True})
    assert staying(*cards, history=after(said, drilled)) == [5, 6, 7]


def test_guards_in_force_keep() -> None:
    until = Guard("until yesterday", (NOW - timedelta(days=1)).isoformat())
    cards = (record(1, guard=Guard("x")), record(2, guard=until), record(3), record(4), record(5))
    taken_off = (6, "unguarded", {"capture": cards[0].id})
    put_on = (7, "guarded", {"capture": cards[2].id, "reason": "y", "until": None})
    assert staying(*cards) == [1, 4, 5]
    assert staying(*cards, history=after(taken_off, put_on)) == [3, 4, 5]
    reasons = {verdict.id: verdict.reasons for verdict in planned(*cards).verdicts}
    assert reasons[cards[0].id][0] == "guarded, x"


def test_partial_ones_push_out_no_good_one_until_they_are_accepted() -> None:
    lost = ((512, 1024),)
    cards = [record(1), record(2), *(record(day, state=PARTIAL, unreadable=lost) for day in (3, 4, 5))]
    accepted = (6, "accepted", {"capture": cards[2].id, "lane": "image of serial 1", "ranges": [[512, 1024]]})
    assert staying(*cards) == [1, 2, 4, 5]
    assert staying(*cards, history=after(accepted)) == [4, 5]


def test_damaged_ones_push_out_no_good_one() -> None:
    cards = [record(day) for day in (1, 2, 3, 4)]
    damaged = after((5, "verified", {"damaged_captures": {cards[3].id: []}}))
    assert staying(*cards, history=damaged)[:2] == [2, 3]


def test_verified_and_drilled_ones_stay() -> None:
    cards = [record(day) for day in range(1, 7)]
    said = after(
        (7, "verified", {"whole_captures": [cards[0].id, cards[1].id]}),
        (8, "drilled", {"capture": cards[2].id, "passed": True}),
        (9, "drilled", {"capture": cards[3].id, "passed": False}),
    )
    assert staying(*cards, history=said) == [2, 3, 5, 6]


@pytest.mark.parametrize(
    ("zone", "expected"),
    [
        ("Asia/Tokyo", [2, 4]),  # UTC+9: at 14:00 and 16:00 UTC it is 23:00 there, and 1:00 of the next day
        ("UTC", [3, 4]),
        ("", [3, 4]),  # by this machine's, Berlin's: 15:00, 17:00 and again 15:00 of the next day
        ("../../etc/passwd", [3, 4]),
        ("Nowhere/Nothing", [3, 4]),
    ],
)
def test_days_are_those_of_the_board(zone: str, expected: list[int]) -> None:
    # In Tokyo, the last two are of one day.
    cards = [record(2, 14, zone=zone), record(3, 16, zone=zone), record(4, 14, zone=zone)]
    assert staying(*cards) == expected


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (("failed", {"what": "capture", "cause": "the card is gone"}), "the card is gone"),
        (("interrupted", {"what": "capture", "cause": "stopped on request"}), "stopped on request"),
        (("took-over", {"lock": "x", "doing": "capture of /dev/sdb", "captures": []}), "without a word"),
        (("failed", {"what": "capture", "cause": "no room", "room": True}), None),
        (("failed", {"what": "thinning", "cause": "the share is gone"}), None),
    ],
)
def test_a_failed_run_keeps_everything(said: tuple[str, dict[str, Any]], words: str | None) -> None:
    found = planned(*map(record, (1, 2, 3)), history=after((4, *said)))
    assert (found.held is not None and words in found.held) if words else found.held is None
    assert bool(found.goes) == (words is None)


def test_a_clock_that_is_not_trusted_keeps_everything() -> None:
    records = Captures(tuple(map(record, (1, 2, 3))), ())
    for machine, server, held in (
        (facts(synchronised=False), None, True),
        (facts(synchronised=False), NOW + timedelta(minutes=5), False),
        (facts(synchronised=False), NOW + timedelta(hours=5), True),
        (facts(now=datetime(1970, 1, 1, tzinfo=UTC)), None, True),
        (facts(), None, False),
    ):
        found = plan_of(records, History(), ONE_A_DAY, machine, server)
        assert (found.held is not None) == held
        assert bool(found.goes) != held
    ahead = fold([Event(4, "0" * 8, "verified", "2027-06-01T00:00:00+00:00", True, {}, {})])
    assert "newest event" in (planned(*map(record, (1, 2, 3)), history=ahead).held or "")


def test_a_capture_without_a_trusted_time_is_put_to_the_nearest() -> None:
    """So one whose clock said 2031 is no capture of the future, and holds nothing up."""
    wrong = record(3, started="2031-01-01T00:00:00+00:00", clock_trusted=False)
    said = Event(3, "0" * 8, "captured", wrong.started, False, {}, {"capture": wrong.id})
    before = Event(2, "0" * 8, "captured", "2026-11-02T03:00:00+00:00", True, {}, {})
    for history in (fold([before, said]), fold([said]), History()):
        assert planned(record(1), record(2), wrong, record(4), history=history).held is None
