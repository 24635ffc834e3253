"""When everything stays, and when somebody has to be asked."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Tier
from tests.unit.shelf_of_nights import NOTHING, capture, decide, nightly, why


def test_a_reason_to_keep_everything() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    decided = decide(taken, hold="the newest capture run failed: the share went away")
    assert decided.goes == ()
    assert decided.held == "the newest capture run failed: the share went away"
    assert decided.unusual is None
    assert why(decided, taken[1]) == ("nothing is removed now: the newest capture run failed: the share went away",)
    assert decided.verdicts[1].tier is Tier.SAFETY
    # What stays anyway keeps its own reasons.
    assert decided.verdicts[-1] == decide(taken).verdicts[-1]


@pytest.mark.parametrize(("ahead", "held"), [(timedelta(minutes=59), False), (timedelta(minutes=61), True)])
def test_a_capture_in_the_future(ahead: timedelta, held: bool) -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    decided = decide(taken, now=taken[-1].at - ahead)
    assert (decided.held is not None) == held
    assert bool(decided.goes) != held
    if held:
        assert decided.held is not None
        assert "Tue 24 Nov 2026, which is yet to come" in decided.held


def test_one_in_the_future_by_a_clock_that_is_not_trusted_says_nothing() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    astray = capture("2031-01-01 00:00", 99, trusted=False)
    assert decide([*taken, astray], now=taken[-1].at).held is None


def several_a_day(hours: int, days: int) -> list[Candidate]:
    start = datetime(2026, 11, 1, tzinfo=UTC)
    return [capture(start + timedelta(hours=hours * n), n) for n in range(24 * days // hours)]


@pytest.mark.parametrize(
    ("taken", "removals_most"),
    [
        (nightly(date(2026, 11, 1), date(2026, 11, 24)), 3),
        (several_a_day(12, 12), 10),
        (several_a_day(6, 6), 10),
    ],
    ids=["nightly", "two a day", "four a day"],
)
def test_how_many_may_go_at_once(taken: list[Candidate], removals_most: int) -> None:
    policy = replace(NOTHING, minimum=len(taken) - removals_most)
    assert decide(taken, policy).unusual is None
    asked = decide(taken, replace(policy, minimum=policy.minimum - 1))
    assert len(asked.goes) == removals_most + 1
    assert asked.unusual == f"{removals_most + 1} captures would go, and no more than {removals_most} at once are usual"


def test_a_card_and_files_each_night_are_several_a_day() -> None:
    """On a Monday four go, a daily and a weekly one of each: nothing to ask about."""
    card = nightly(date(2026, 10, 1), date(2026, 11, 22))
    files = [replace(c, id=f"{c.id} files", lane="files of path /home", at=c.at + timedelta(minutes=9)) for c in card]
    gone = set(decide([*card, *files]).goes)
    monday = capture("2026-11-23 03:00", 100)
    tonight = [monday, replace(monday, id="files", lane="files of path /home", sequence=101)]
    decided = decide([*(c for c in [*card, *files] if c.id not in gone), *tonight])
    assert len(decided.goes) == 4
    assert decided.unusual is None


def test_one_more_by_hand_does_not_make_it_several_a_day() -> None:
    *before, last = nightly(date(2026, 11, 1), date(2026, 11, 24))
    by_hand = capture("2026-11-23 12:00", last.sequence)
    taken = [*before, by_hand, replace(last, sequence=last.sequence + 1)]
    assert decide(taken, replace(NOTHING, minimum=21)).unusual is not None


def test_a_clock_that_stood_still_does_not_make_it_several_a_day() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    astray = [replace(c, trusted=False, at=taken[17].at) for c in taken[18:]]
    assert decide([*taken[:18], *astray], replace(NOTHING, minimum=20)).unusual is not None


def test_the_policy_may_say_how_many() -> None:
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    assert decide(taken, replace(NOTHING, minimum=4, max_removals=20)).unusual is None
    assert decide(taken, replace(NOTHING, minimum=3, max_removals=20)).unusual is not None


def test_the_first_thinning_under_a_new_policy_asks() -> None:
    year = nightly(date(2026, 1, 1), date(2026, 12, 31))
    assert decide(year, RetentionPolicy()).unusual is not None


def test_a_clock_that_is_years_ahead_removes_no_more_than_one_that_is_right() -> None:
    """All that counts is which periods have captures; only what is young stays no longer for that."""
    taken = nightly(date(2026, 11, 1), date(2026, 11, 24))
    right, ahead = decide(taken), decide(taken, now=datetime(2036, 1, 1, tzinfo=UTC))
    assert right.goes == ahead.goes
