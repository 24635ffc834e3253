"""Whether a night is tried again: around its window, after starts of the board, and under clocks that move."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from backupctl.domain.due import overdue_from
from backupctl.domain.events import Event
from backupctl.domain.policy import Policy, SchedulePolicy
from backupctl.operations.facts import Facts
from backupctl.operations.nights.retrying import due
from backupctl.share.manifest import append_event
from backupctl.share.shelf import Shelf, adopt_share, make_shelf

# Every night at 03:17, a delay of 20 minutes, tried again for 6 hours.
POLICY = Policy()
LONG_AGO = timedelta(days=9)


def at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-11-{text}:00+00:00")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    adopt_share(tmp_path, True, "2026-11-01T00:00:00+00:00")
    return make_shelf(tmp_path, "mill", "xxh3-128", "2026-11-01T00:00:00+00:00")


def event(shelf: Shelf, kind: str, time: str, number: int = 1) -> None:
    append_event(shelf.storage, Event(number, f"{number:08x}", kind, time, True, {}, {"what": "capture"}))


def asked(
    shelf: Shelf,
    now: datetime,
    up_for: timedelta = LONG_AGO,
    installed: datetime | None = None,
    policy: Policy = POLICY,
    zone: str = "UTC",
) -> tuple[bool, str]:
    facts = Facts("mill", "m", "b", zone, True, shelf.path, lambda: now)
    answer = due(shelf.share_folder, "mill", policy, facts, up_for.total_seconds(), installed)
    return answer["due"], answer["why"]


@pytest.mark.parametrize(
    ("now", "expected", "words"),
    [
        ("20T03:16", False, "over Thu 19 Nov 09:37"),  # the night before
        ("20T03:36", False, "the timer begins the night of Fri 20 Nov 03:17 by Fri 20 Nov 03:37"),
        ("20T03:37", True, "no capture, and is tried until Fri 20 Nov 09:37"),
        ("20T09:36", True, "no capture"),
        ("20T09:37", False, "over Fri 20 Nov 09:37"),
    ],
)
def test_the_window_of_a_night(shelf: Shelf, now: str, expected: bool, words: str) -> None:
    is_due, why = asked(shelf, at(now))
    assert is_due is expected
    assert words in why


def test_a_night_that_has_its_capture_is_not_tried(shelf: Shelf) -> None:
    event(shelf, "captured", "2026-11-19T03:30:00+00:00", 1)
    event(shelf, "interrupted", "2026-11-20T03:40:00+00:00", 2)
    event(shelf, "failed", "2026-11-20T04:40:00+00:00", 3)
    assert asked(shelf, at("20T04:50"))[0]
    event(shelf, "captured", "2026-11-20T04:51:00+00:00", 4)
    assert asked(shelf, at("20T04:52")) == (
        False, "the night of Fri 20 Nov 03:17 has its capture, of Fri 20 Nov 04:51",
    )  # fmt: skip


def test_a_power_cut_is_made_up_for_after_the_start(shelf: Shelf) -> None:
    now = at("20T14:00")
    assert not asked(shelf, now)[0]
    assert asked(shelf, now, timedelta(minutes=15))[0]
    assert asked(shelf, now, timedelta(hours=5, minutes=59))[0]
    assert not asked(shelf, now, timedelta(hours=6))[0]


def test_nothing_from_before_the_timer_was_there(shelf: Shelf) -> None:
    now = at("20T05:00")
    assert not asked(shelf, now, installed=at("20T04:00"))[0]
    assert asked(shelf, now, installed=at("20T03:00"))[0]


def test_a_share_that_cannot_be_read_may_be_there_again_at_the_next_try(shelf: Shelf) -> None:
    facts = Facts("mill", "m", "b", "UTC", True, shelf.path, lambda: at("20T05:00"))
    answer = due(shelf.path / "gone", "mill", POLICY, facts, 9e9, None)
    assert answer["due"]
    assert "cannot be read" in answer["why"]


def test_outside_the_window_the_share_is_not_looked_at(shelf: Shelf) -> None:
    facts = Facts("mill", "m", "b", "UTC", True, shelf.path, lambda: at("20T15:00"))
    assert not due(shelf.path / "gone", "mill", POLICY, facts, 9e9, None)["due"]


def test_a_board_that_is_new_on_the_share(shelf: Shelf) -> None:
    facts = Facts("mill", "m", "b", "UTC", True, shelf.path, lambda: at("20T05:00"))
    assert due(shelf.share_folder, "another", POLICY, facts, 9e9, None)["due"]


def test_a_clock_that_was_set_back_after_the_capture(shelf: Shelf) -> None:
    event(shelf, "captured", "2026-11-20T03:59:00+00:00")
    assert not asked(shelf, at("20T03:40"))[0]  # by the clock of now, the capture is of later


def test_a_board_that_believes_another_year(shelf: Shelf) -> None:
    event(shelf, "captured", "2026-11-20T03:59:00+00:00")
    lost = datetime(1999, 12, 31, 4, tzinfo=UTC)
    assert asked(shelf, lost)[0]  # what lies years ahead is of no night that it knows
    event(shelf, "captured", "1999-12-31T04:01:00+00:00", 2)
    assert not asked(shelf, lost + timedelta(minutes=5))[0]
    # The clock is right again: a capture of 1999 is none of tonight's.
    assert asked(shelf, at("21T05:00"))[0]


def test_texts_of_others_are_no_times(shelf: Shelf) -> None:
    for number, time in enumerate(("yesterday", "2026-11-20T04:00:00", "", "9" * 500), 1):
        event(shelf, "captured", time, number)
    assert asked(shelf, at("20T05:00"))[0]


def test_the_night_when_clocks_go_back(shelf: Shelf) -> None:
    # 25 October 2026 in Berlin: 03:17 is 02:17 UTC, the only one of that day.
    now = datetime(2026, 10, 25, 2, 38, tzinfo=UTC)
    assert asked(shelf, now, zone="Europe/Berlin") == (
        True, "the night of Sun 25 Oct 03:17 has no capture, and is tried until Sun 25 Oct 09:37",
    )  # fmt: skip


def test_overdue_allows_for_the_delay_and_for_a_change_of_clocks() -> None:
    schedule = SchedulePolicy(overdue=36 * 3600, random_delay=20 * 60)
    assert overdue_from(at("20T03:17"), schedule) == at("21T16:37")
