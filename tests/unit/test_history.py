"""What guards, drills, wishes and ended runs amount to, event by event."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from backupctl.domain.events import Continued, Event, History, counts_as_good, fold, guard_of
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, Guard, Stream

CAPTURE = "20261201T010000Z-image-00a0ff"
NOW = datetime(2026, 12, 1, 12, 0, tzinfo=UTC)
RECORD = CaptureRecord(
    id=CAPTURE, board="shed", kind="image", sequence=1, source={}, started="2026-12-01T01:00:00+00:00",
    finished="2026-12-01T01:01:00+00:00", zone="UTC", clock_trusted=True, label=None, state=GOOD,
    streams=(Stream(0, 0, 0, ""),), in_use_bytes=0, read_bytes=0, written_bytes=0, new_segments=0, frozen_seconds=None,
    layout={}, zeroed=(), unreadable=(), left_out=(), parts=(), policy={}, warnings=(), lock="", by="",
)  # fmt: skip


def after(*events: tuple[str, dict[str, Any]]) -> History:
    return fold(
        Event(number, f"{number:08x}", kind, f"2026-12-01T02:00:{number:02}+00:00", True, {}, body)
        for number, (kind, body) in enumerate(events, 1)
    )


def guarded(reason: str, until: str | None = None) -> tuple[str, dict[str, Any]]:
    return "guarded", {"capture": CAPTURE, "reason": reason, "until": until}


UNGUARDED = ("unguarded", {"capture": CAPTURE})


@pytest.mark.parametrize(
    ("own", "events", "expected"),
    [
        (None, [], None),
        ("taken with it", [], "taken with it"),
        ("taken with it", [guarded("a better reason")], "a better reason"),
        ("taken with it", [UNGUARDED], None),
        ("taken with it", [UNGUARDED, guarded("again")], "again"),
        (None, [guarded("before the upgrade"), UNGUARDED], None),
        (None, [guarded("one"), guarded("two")], "two"),
        (None, [guarded("ends at noon", "2026-12-01T12:00:00+00:00")], None),
        (None, [guarded("ends after noon", "2026-12-01T13:00:01+01:00")], "ends after noon"),
        (None, [guarded("no such moment", "2026-13-01")], "no such moment"),
        (None, [guarded("no offset", "2026-11-01T12:00:00")], "no offset"),
        (None, [("guarded", {"capture": "another", "reason": "not this one", "until": None})], None),
    ],
)
def test_the_guard_in_force(own: str | None, events: list[tuple[str, dict[str, Any]]], expected: str | None) -> None:
    record = replace(RECORD, guard=Guard(own) if own else None)
    found = guard_of(record, after(*events), NOW)
    assert (found.reason if found else None) == expected


def test_a_guard_of_the_capture_itself_ends_too() -> None:
    record = replace(RECORD, guard=Guard("until November", "2026-11-01T00:00:00+00:00"))
    assert guard_of(record, after(), NOW) is None


def drilled(passed: object) -> tuple[str, dict[str, Any]]:
    return "drilled", {"capture": CAPTURE, "passed": passed}


def test_a_drill_counts_until_a_later_one_fails() -> None:
    assert after(drilled(True)).drilled == {CAPTURE: "2026-12-01T02:00:01+00:00"}
    assert after(drilled(True), drilled(False)).drilled == {}
    assert after(drilled(False), drilled(True)).drilled == {CAPTURE: "2026-12-01T02:00:02+00:00"}
    assert after(drilled("yes")).drilled == {}


def ended(kind: str = "failed", **body: object) -> tuple[str, dict[str, Any]]:
    return kind, {"what": "capture", "doing": "capture of /dev/sdb", "cause": "the card is gone"} | body


CAPTURED = ("captured", {"capture": CAPTURE})


def took_over(doing: str, *captures: str) -> tuple[str, dict[str, Any]]:
    return "took-over", {"lock": "0" * 32, "from": "shed", "doing": doing, "captures": list(captures)}


@pytest.mark.parametrize(
    ("events", "failed"),
    [
        ([], False),
        ([ended()], True),
        ([ended("interrupted")], True),
        ([ended(), CAPTURED], False),
        ([CAPTURED, ended()], True),
        ([ended(room=True)], False),
        ([ended(), ended(room=True)], False),  # the newest counts
        ([ended(what="thinning")], False),
        ([ended(), ended(what="thinning")], True),
        ([took_over("capture of /dev/sdb")], True),
        ([ended(), took_over("capture of /dev/sdb", CAPTURE)], False),
        ([took_over("thinning")], False),
    ],
)
def test_the_newest_capture_run_failed(events: list[tuple[str, dict[str, Any]]], failed: bool) -> None:
    assert (after(*events).failed_run is not None) == failed


def test_the_trusted_time_nearest_to_a_capture_without_one() -> None:
    """The newest before it, or else the first after it."""

    def event(number: int, trusted: bool) -> Event:
        return Event(
            number, f"{number:08x}", "captured", f"time {number}", trusted, {}, {"capture": f"capture {number}"}
        )

    history = fold([event(1, False), event(2, False), event(3, True), event(4, True), event(5, False)])
    assert history.undated == {"capture 1": "time 3", "capture 2": "time 3", "capture 5": "time 4"}
    assert fold([event(1, False)]).undated == {"capture 1": ""}


def test_what_is_said_of_a_board() -> None:
    history = after(
        ("continued", {"what": "card", "lane": "image of serial 1", "capture": CAPTURE}),
        ("accepted", {"capture": CAPTURE, "lane": "image of serial 1", "ranges": [[512, 1024], [7, 7], [1.5, 2]]}),
        ("away", {"until": "2026-12-24T00:00:00+00:00"}),
        ("continued", {"what": "board", "lane": "image of serial 2", "capture": None}),
    )
    assert history.continued == (
        Continued(1, "card", "image of serial 1", CAPTURE),
        Continued(4, "board", "image of serial 2", None),
    )
    assert history.accepted == {"image of serial 1": Ranges([(512, 1024)])}
    assert history.away_until == "2026-12-24T00:00:00+00:00"
    assert after(("away", {"until": "2026-12-24T00:00:00+00:00"}), ("away", {"until": None})).away_until == ""


def partial(*unreadable: tuple[int, int], serial: str = "1") -> CaptureRecord:
    return replace(RECORD, state=PARTIAL, unreadable=unreadable, source={"serial": serial, "path": "/dev/sdb"})


def test_what_somebody_knows_to_be_lost() -> None:
    """A capture that lacks no more counts as good, one of another card does not."""
    history = after(
        ("accepted", {"capture": CAPTURE, "lane": "image of serial 1", "ranges": [[512, 1024], [4096, 8192]]}),
        ("accepted", {"capture": CAPTURE, "lane": "image of serial 1", "ranges": [[1024, 1536]]}),
    )
    assert counts_as_good(RECORD, after())
    assert not counts_as_good(partial((512, 1024)), after())
    assert counts_as_good(partial((512, 1536), (5000, 6000)), history)
    assert not counts_as_good(partial((512, 1537)), history)
    assert not counts_as_good(partial((0, 10)), history)
    assert not counts_as_good(partial(), history), "nobody knows what it lacks"
    assert not counts_as_good(partial((512, 1024), serial="2"), history)


@pytest.mark.parametrize(
    ("source", "card"),
    [
        ({"path": "/dev/mmcblk0", "serial": "0x1a2b", "cid": "ff"}, "serial 0x1a2b"),
        ({"path": "/dev/mmcblk0", "serial": "", "cid": "ff"}, "cid ff"),
        ({"path": "/home/card.img", "serial": None, "cid": None}, "path /home/card.img"),
        ({"serial": 5, "cid": ["x"]}, "unknown"),
    ],
)
def test_which_card_it_is(source: dict[str, Any], card: str) -> None:
    assert replace(RECORD, source=source).lane == f"image of {card}"
