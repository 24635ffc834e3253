"""What is counted apart: partial and damaged captures, clocks that were not trusted, cards that were replaced."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from backupctl.domain.events import Continued
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Plan, Tier, plan
from tests.unit.shelf_of_nights import CARD, NOTHING, OTHER_CARD, PERIODS_ONLY, capture, days_of, decide, nightly, why

NOVEMBER = nightly(date(2026, 11, 1), date(2026, 11, 24))


def nights(*days: int) -> list[Candidate]:
    return [NOVEMBER[day - 1] for day in days]


@pytest.mark.parametrize("state", ["partial", "damaged"])
def test_those_that_are_not_good_push_out_none_that_is(state: str) -> None:
    assert state in ("partial", "damaged")
    good = nights(*range(1, 15))
    others = [replace(c, state=state) for c in nights(*range(15, 25))]  # type: ignore[arg-type]
    decided = decide([*good, *others], PERIODS_ONLY)
    assert [v for v in decided.verdicts if v.id in {c.id for c in good}] == list(decide(good, PERIODS_ONLY).verdicts)


def test_partial_ones_stand_for_periods_among_themselves() -> None:
    good = capture("2026-11-17 15:00", 2)
    partial = capture("2026-11-17 03:00", 1, state="partial")
    decided = decide([partial, good], PERIODS_ONLY)
    assert decided.goes == ()
    assert "stands for Tue 17 Nov among partial ones" in why(decided, partial)
    earlier = capture("2026-11-17 01:00", 0, state="partial")
    assert why(decide([earlier, partial, good], PERIODS_ONLY), earlier) == ("its day has a newer partial one",)


def test_the_last_state_of_a_dying_card_stays_until_a_good_one_follows() -> None:
    *good, last_good = nights(1, 2, 3)
    dying = [replace(c, state="partial") for c in nights(4, 5, 6)]
    decided = decide([*good, last_good, *dying], NOTHING)
    assert days_of(decided) == [date(2026, 11, 3), date(2026, 11, 6)]
    assert why(decided, dying[-1]) == ("the last that could be read of its card",)
    healthy = nights(7)
    assert days_of(decide([*good, last_good, *dying, *healthy], NOTHING)) == [date(2026, 11, 7)]


def test_where_too_few_are_good_the_newest_others_make_up_for_them() -> None:
    taken = [replace(c, state="partial") for c in nights(1, 2, 3, 4)] + nights(5)
    assert days_of(decide(taken, replace(NOTHING, minimum=3))) == [date(2026, 11, day) for day in (3, 4, 5)]


def test_of_a_card_that_was_never_read_whole_something_stays() -> None:
    taken = [replace(c, state="damaged") for c in nights(1, 2, 3, 4)]
    assert days_of(decide(taken, NOTHING)) == [date(2026, 11, 4)]


def test_a_clock_that_was_not_trusted_pushes_out_no_certain_day() -> None:
    """A week without a time service: six captures that can only be said to be of the 17th or later."""
    certain = nights(*range(1, 18))
    astray = [replace(c, trusted=False, at=NOVEMBER[16].at) for c in nights(*range(18, 24))]
    after = nights(24)
    decided = decide([*certain, *astray, *after], PERIODS_ONLY)
    kept = {v.id for v in decided.verdicts if v.stays}
    assert {c.id for c in certain if c.id in kept} == {
        v.id for v in decide([*certain, *after], PERIODS_ONLY).verdicts if v.stays
    } - {after[0].id}
    assert [c.id for c in astray if c.id in kept] == [astray[-1].id]
    assert "stands for Tue 17 Nov among undated ones" in why(decided, astray[-1])
    assert why(decided, astray[0]) == ("its day has a newer undated one",)


def continued(captures: list[Candidate], *said: Continued, policy: RetentionPolicy = NOTHING) -> Plan:
    return plan(captures, policy, Circumstances(captures[-1].at, UTC, None, said))


OLD = nights(*range(1, 11))
SAID = Continued(11, "card", CARD, OLD[-1].id)  # after the last of the old card, before the first of the new one
NEW = [replace(c, lane=OTHER_CARD, sequence=c.sequence + 1) for c in nights(*range(11, 25))]


def test_another_card_is_counted_apart_unless_somebody_says_otherwise() -> None:
    policy = replace(NOTHING, daily=5)
    assert days_of(continued([*OLD, *NEW], policy=policy)) == [
        date(2026, 11, day) for day in (6, 7, 8, 9, 10, 20, 21, 22, 23, 24)
    ]


def test_a_replaced_card_goes_on_in_one_count() -> None:
    policy = replace(NOTHING, daily=5)
    proven = [*NEW[:-1], replace(NEW[-1], drilled=True)]
    decided = continued([*OLD, *proven], SAID, policy=policy)
    assert days_of(decided) == [date(2026, 11, day) for day in (20, 21, 22, 23, 24)]


SAID = SAID


@pytest.mark.parametrize(
    ("new", "protected"),
    [
        ([], True),
        (NEW[:2], True),
        (NEW[:3], True),  # none has passed a drill
        ([replace(NEW[0], drilled=True), NEW[1]], True),
        ([replace(NEW[0], drilled=True), *NEW[1:3]], False),
        ([replace(NEW[0], drilled=True), NEW[1], replace(NEW[2], state="partial")], True),
        ([*OLD[8:9], *NEW[:3]], True),
    ],
)
def test_the_old_newest_stays_until_the_new_card_is_proven(new: list[Candidate], protected: bool) -> None:
    old = [replace(OLD[-2], drilled=True, verified=True), OLD[-1]]
    words = "the last of the old card, until the new one has 3 good captures and a passed drill"
    decided = continued([*old, *(c for c in new if c not in old)], SAID)
    assert (words in why(decided, OLD[-1])) == protected
    if new and not protected:
        assert OLD[-1].id in decided.goes


def test_a_new_board_may_have_the_old_card() -> None:
    """Then what it captures after that proves it."""
    said = replace(SAID, what="board")
    after = [replace(c, lane=CARD) for c in NEW[:3]]
    assert any("old board" in words for words in why(continued([*OLD, *after], said), OLD[-1]))
    drilled = [*after[:2], replace(after[2], drilled=True)]
    assert OLD[-1].id in continued([*OLD, *drilled], said).goes


def test_a_new_board_with_a_new_card_goes_on_in_one_count() -> None:
    policy = replace(NOTHING, daily=5)
    proven = [*NEW[:-1], replace(NEW[-1], drilled=True)]
    decided = continued([*OLD, *proven], replace(SAID, what="board"), policy=policy)
    assert days_of(decided) == [date(2026, 11, day) for day in (20, 21, 22, 23, 24)]


def test_a_replaced_card_goes_on_though_the_old_one_was_captured_once_more() -> None:
    once_more = replace(NEW[0], lane=CARD)
    decided = continued([*OLD, once_more, *NEW[1:]], SAID, policy=replace(NOTHING, daily=5))
    assert days_of(decided, Tier.DAILY) == [date(2026, 11, day) for day in (20, 21, 22, 23, 24)]


def test_only_the_first_card_that_follows_goes_on() -> None:
    third = [replace(c, lane="image of serial 3") for c in NEW[1:]]
    decided = continued([*OLD, NEW[0], *third], SAID, policy=replace(NOTHING, daily=2))
    assert days_of(decided, Tier.DAILY) == [date(2026, 11, day) for day in (10, 11, 23, 24)]


def test_a_second_card_that_is_captured_all_along_does_not_join() -> None:
    """Not even if it is the first that is captured after somebody has said so."""
    policy = replace(NOTHING, daily=2)
    first = [replace(c, sequence=2 * c.sequence) for c in [*OLD, *NEW]]
    second = [replace(c, id=f"{c.id} data", lane="image of serial 0xda7a", sequence=c.sequence - 1) for c in first]
    decided = continued([*first, *second], replace(SAID, sequence=22), policy=policy)
    for ours in (first, second):
        ids = {capture.id for capture in ours}
        kept = [v for v in decided.verdicts if v.id in ids and v.tier is Tier.DAILY]
        assert [v.id[:10] for v in kept] == ["2026-11-23", "2026-11-24"]


def test_files_do_not_go_on_with_a_card() -> None:
    files = [replace(c, lane="files of path /home") for c in NEW]
    policy = replace(NOTHING, daily=1)
    assert days_of(continued([*OLD, *files], SAID, policy=policy), Tier.DAILY) == [
        date(2026, 11, 10),
        date(2026, 11, 24),
    ]


def test_continuations_one_after_the_other_and_in_a_ring() -> None:
    """Two cards in turn, or an event that somebody has altered: each capture is in one count, and it ends."""
    third = [replace(c, lane="image of serial 3", sequence=c.sequence + 1) for c in NEW[7:]]
    taken = [*OLD, *NEW[:7], *third]
    said = [SAID, Continued(NEW[7].sequence, "card", OTHER_CARD, NEW[6].id)]
    ring = [*said, Continued(50, "card", "image of serial 3", None), Continued(51, "card", CARD, None)]
    for continuations in (said, ring, ring[::-1]):
        decided = continued(taken, *continuations, policy=replace(NOTHING, daily=3))
        assert days_of(decided, Tier.DAILY) == [date(2026, 11, day) for day in (22, 23, 24)]


def test_a_continuation_of_what_is_not_there() -> None:
    for said in (Continued(0, "card", CARD, "no such capture"), Continued(5, "card", "image of nothing", None)):
        assert continued(OLD, said, policy=PERIODS_ONLY) == continued(OLD, policy=PERIODS_ONLY)


def test_times_at_the_ends_of_the_calendar() -> None:
    taken = [capture(datetime.min.replace(tzinfo=UTC), 1), capture("2026-11-24 03:00", 2)]
    assert len(decide(taken).verdicts) == 2
