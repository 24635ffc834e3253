"""What is told when: at once, after three and seven days, once when it is over, and a line a week."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Exit, UsageError
from backupctl.domain.telling import (
    THE_SHARE,
    Kind,
    Memory,
    Message,
    Standing,
    message,
    noted,
    told,
    trial_message,
)
from backupctl.domain.telling_words import ENDINGS, WORDS, Matter

TUESDAY = datetime(2026, 11, 24, 9, 40, tzinfo=UTC)  # the middle of week 48
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


class Owner:
    """Somebody who is told, and remembers; `answers` says whether messages arrive."""

    def __init__(self) -> None:
        self.memory = Memory()
        self.answers = True

    def look(self, now: datetime, *standings: Standing, digest: bool = False) -> Message | None:
        self.memory = noted(self.memory, standings, now)
        found = message(self.memory, standings, now, digest)
        if found is not None and self.answers:
            self.memory = told(self.memory, found, now)
        return found

    def kind(self, now: datetime, *standings: Standing, digest: bool = False) -> Kind | None:
        found = self.look(now, *standings, digest=digest)
        return found.kind if found else None


def mill(matters: Mapping[Matter, datetime | None], **more: Any) -> Standing:
    return Standing("mill", matters, **more)


def test_missed_nights_are_told_of_at_once_and_on_days_three_and_seven() -> None:
    owner, missed = Owner(), mill({Matter.MISSED: TUESDAY})
    hours = [hour for hour in range(24 * 30) if owner.look(TUESDAY + hour * HOUR, missed)]
    assert hours == [0, 3 * 24, 7 * 24]


def test_recovery_is_told_of_once() -> None:
    owner = Owner()
    assert owner.kind(TUESDAY, mill({Matter.MISSED: TUESDAY})) is Kind.TROUBLE
    well = mill({Matter.MISSED: None})
    assert owner.kind(TUESDAY + DAY, well) is Kind.RECOVERY
    assert owner.look(TUESDAY + DAY, well) is None
    assert owner.kind(TUESDAY + 2 * DAY, mill({Matter.MISSED: TUESDAY + DAY})) is Kind.TROUBLE, (
        "as if for the first time"
    )


def test_what_was_over_before_anybody_heard_of_it_is_not_told() -> None:
    owner = Owner()
    owner.answers = False
    assert owner.kind(TUESDAY, mill({Matter.STALLED: TUESDAY})) is Kind.TROUBLE
    owner.answers = True
    assert owner.look(TUESDAY + HOUR, mill({Matter.STALLED: None})) is None


def test_what_did_not_arrive_is_told_again_since_when_it_was_so_and_then_keeps_to_its_days() -> None:
    owner, found = Owner(), mill({Matter.DAMAGE: TUESDAY})
    owner.answers = False
    for hour in range(4 * 24):
        assert owner.look(TUESDAY + hour * HOUR, found)
    owner.answers = True
    late = owner.look(TUESDAY + 4 * DAY, mill({Matter.DAMAGE: TUESDAY + 4 * DAY}))
    assert late is not None
    assert late.items[0].since == TUESDAY
    days = [day for day in range(5, 40) if owner.look(TUESDAY + day * DAY, found)]
    assert days == [7]


def test_what_is_not_known_stays_as_it_was() -> None:
    owner = Owner()
    owner.look(TUESDAY, mill({Matter.DAMAGE: TUESDAY}))
    assert owner.look(TUESDAY + HOUR, mill({})) is None
    assert owner.kind(TUESDAY + 3 * DAY, mill({})) is Kind.TROUBLE
    assert owner.kind(TUESDAY + 3 * DAY, mill({Matter.DAMAGE: None})) is Kind.RECOVERY


def test_a_board_that_is_away_is_not_missed_but_its_damage_is_told_of() -> None:
    owner = Owner()
    both = {Matter.MISSED: TUESDAY, Matter.OVERDUE: TUESDAY, Matter.DAMAGE: TUESDAY}
    found = owner.look(TUESDAY, mill(both, away=True))
    assert found is not None
    assert [item.matter for item in found.items] == [Matter.DAMAGE]


def test_one_line_a_week_on_monday_morning() -> None:
    owner, zone = Owner(), ZoneInfo("Europe/Berlin")
    well = mill({}, newest_good=TUESDAY, captures=12)
    begin = datetime(2026, 11, 24, 0, 0, tzinfo=zone)
    at = [begin + hour * HOUR for hour in range(24 * 15)]
    mornings = [f"{now:%a %d %H:%M}" for now in at if owner.look(now, well, digest=True)]
    assert mornings == ["Mon 30 08:00", "Mon 07 08:00"]
    assert owner.look(begin + 60 * DAY, well, digest=False) is None


def test_weeks_go_on_across_the_end_of_a_year() -> None:
    # ISO 8601: 2026 has 53 weeks, the last of which begins on 28 December (`date +%G-W%V -d 2027-01-03`: 2026-W53).
    owner, begin = Owner(), datetime(2026, 12, 22, 8, tzinfo=UTC)
    days = [begin + day * DAY for day in range(21) if owner.look(begin + day * DAY, mill({}), digest=True)]
    assert [f"{day:%d %b}" for day in days] == ["28 Dec", "04 Jan", "11 Jan"]


def test_the_words_of_a_missed_night() -> None:
    night = datetime(2026, 11, 24, 2, 17, tzinfo=UTC)
    now = datetime(2026, 11, 24, 9, 40, tzinfo=ZoneInfo("Europe/Berlin"))
    good = datetime(2026, 11, 23, 2, 20, tzinfo=UTC)
    standing = mill({Matter.MISSED: night}, newest_good=good, captures=12, last_night=Exit.REFUSED)
    found = Owner().look(now, standing)
    assert found is not None
    assert found.subject == "mill: a night passed without a capture"
    assert found.text == (
        "mill: a night passed without a capture.\n"
        "  Since: Tue 24 Nov 2026 03:17 +01:00\n"
        "  Safe up to: Mon 23 Nov 2026 03:20 +01:00\n"
        "  The last try: a check refused it before it began (code 3)\n"
        "  What to do: Look whether the board and the NAS are on. On the board,\n"
        "  `backupctl preflight` says what is wrong, and `backupctl runs` what became\n"
        "  of each run.\n"
    )


def test_the_words_of_a_week() -> None:
    owner = Owner()
    boards = (mill({}, newest_good=TUESDAY, captures=12), Standing("attic", {Matter.DAMAGE: TUESDAY}))
    owner.look(TUESDAY, *boards)
    found = owner.look(datetime(2026, 11, 30, 8, tzinfo=UTC), *boards, digest=True)
    assert found is not None
    assert "This week:\n  mill: last good capture Tue 24 Nov 2026 09:40 +00:00, 12 in all\n" in found.text
    assert "  attic: no good capture, 0 in all; there is damage on the share\n" in found.text
    alone = Owner()
    alone.look(TUESDAY, boards[0])
    weekly = alone.look(datetime(2026, 11, 30, 8, tzinfo=UTC), boards[0], digest=True)
    assert weekly is not None
    assert (weekly.kind, weekly.subject) == (Kind.WEEKLY, "mill: all is well")


def test_a_board_that_is_gone_is_told_of_once() -> None:
    owner, gone = Owner(), mill({Matter.GONE: TUESDAY})
    assert owner.kind(TUESDAY, gone) is Kind.TROUBLE
    assert "mill" not in owner.memory.boards


def test_of_what_could_not_be_looked_at_nothing_is_said_about_captures() -> None:
    owner, unread = Owner(), mill({Matter.UNREADABLE: TUESDAY})
    first = owner.look(TUESDAY, unread, Standing(THE_SHARE, {Matter.UNREADABLE: TUESDAY}))
    assert first is not None
    assert "Safe up to" not in first.text
    assert "the share: it could not be looked at." in first.text
    weekly = owner.look(TUESDAY + 6 * DAY, unread, digest=True)
    assert weekly is not None
    assert weekly.text.endswith("This week:\n  mill: it could not be looked at\n")
    later = owner.look(TUESDAY + 13 * DAY, Standing(THE_SHARE, {Matter.UNREADABLE: TUESDAY}), digest=True)
    assert later is not None
    assert later.week == "", "no board was looked at"


def test_everything_has_its_words() -> None:
    assert set(WORDS) == set(Matter)
    assert set(ENDINGS) == set(Exit)


def test_a_name_that_is_none_gets_nowhere() -> None:
    for name in ("Mill", "mill\n", "//server/share", "a" * 64):
        with pytest.raises(UsageError):
            Standing(name, {})
        with pytest.raises(UsageError):
            trial_message(name)


MOMENTS = st.datetimes(datetime(2000, 1, 1), datetime(2199, 1, 1), timezones=st.just(UTC))
STANDINGS = st.builds(
    Standing,
    st.sampled_from(["mill", "attic", "a" * 63, THE_SHARE]),
    st.dictionaries(st.sampled_from(Matter), MOMENTS | st.none()),
    MOMENTS | st.none(),
    st.integers(0, 10**6),
    st.booleans(),
    st.sampled_from(Exit) | st.none(),
)


@given(st.lists(st.tuples(MOMENTS, st.lists(STANDINGS, max_size=3, unique_by=lambda each: each.board)), max_size=6))
def test_whatever_comes_a_message_is_short_lines_of_ascii_and_is_told_once(
    looks: list[tuple[datetime, list[Standing]]],
) -> None:
    owner = Owner()
    for now, standings in looks:
        found = owner.look(now, *standings, digest=True)
        if found is None:
            continue
        assert found.subject.isascii() and found.subject.isprintable() and len(found.subject) < 200
        assert re.fullmatch(r"(?:[ -~]{0,76}\n)+", found.text)
        again = owner.look(now, *standings, digest=True)
        assert again is None or Matter.GONE in {item.matter for item in found.items}
