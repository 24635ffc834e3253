"""What is told of a board whose captures stand on a real share, while the clock goes on day by day."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.errors import Exit
from backupctl.domain.notify_policy import NotifyPolicy
from backupctl.domain.policy import Policy, SchedulePolicy
from backupctl.operations.facts import Facts, this_machine
from backupctl.operations.nights.notify import NightEnded, tell_of_board
from backupctl.operations.progress import Quiet
from backupctl.operations.session import hold
from backupctl.operations.shares.share_identity import Identity, remember
from backupctl.share.shelf import open_shelf
from tests.formats.test_guards import altered
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
LONG_UP = 400 * 86_400.0


def night_with(**outcomes: Any) -> dict[str, Any]:
    codes = {"verify": 5 if outcomes.get("damage") else 0}
    return {
        "room": None,
        "capture": {"warnings": outcomes.get("warnings", [])},
        "thin": {"unusual": outcomes.get("unusual"), "removed": [] if outcomes.get("unusual") else ["x"]},
        "verify": {"damaged_segments": codes["verify"]},
        "steps": [{"name": name, "exit": code} for name, code in codes.items()],
    }


class Board:
    """Nights at 03:17 UTC, with a delay of 20 min and a window of 6 h; the last capture is of `taken`, that night's."""

    def __init__(self, made: Made, folder: Path) -> None:
        self.made, self.folder = made, folder
        self.policy = Policy(schedule=SchedulePolicy(when="*-*-* 03:17 UTC"))
        today = datetime.now(UTC).replace(hour=3, minute=17, second=0, microsecond=0)
        self.taken = today + DAY
        self.now = self.taken + HOUR
        self.ways("one")
        for capture, at in zip(made.captures, (self.taken - DAY, self.taken), strict=True):
            self.move(capture, at)

    def move(self, capture: str, at: datetime, **more: object) -> None:
        altered(self.made, capture, started=at.isoformat(), finished=(at + HOUR / 10).isoformat(), **more)

    def ways(self, name: str, digest: bool = False) -> None:
        command = ("sh", "-c", f"test ! -e {self.folder}/deaf && cat >>{self.folder}/{name}")
        self.policy = replace(self.policy, notify=NotifyPolicy(command=command, digest=digest))

    @property
    def facts(self) -> Facts:
        return replace(this_machine(self.folder / "state"), zone="UTC", synchronised=True, now=lambda: self.now)

    def after_night(self, code: Exit = Exit.DONE, **outcomes: Any) -> str:
        """What is told when a night has ended."""
        return self.look(NightEnded(night_with(**outcomes), code))

    def look(self, night: NightEnded | None = None, uptime: float = LONG_UP) -> str:
        """What is told now."""
        file = self.folder / "one"
        before = file.stat().st_size if file.exists() else 0
        self.last = tell_of_board(self.made.share, "shed", self.policy, self.facts, uptime, night)
        return file.read_text()[before:] if file.exists() else ""

    def looks_until(self, end: datetime, every: timedelta) -> Iterator[tuple[datetime, str]]:
        """All that is told meanwhile, and when."""
        while self.now < end:
            said = self.look()
            if said:
                yield self.now, said
            self.now += every


@pytest.fixture
def board(hurt: Made, tmp_path: Path) -> Board:
    return Board(hurt, tmp_path)


def test_a_missed_night_after_its_window_and_on_days_three_and_seven(board: Board) -> None:
    told = list(board.looks_until(board.taken + 9 * DAY, HOUR))
    missed = board.taken + DAY
    # 03:17 + 20 min + 6 h = 09:37; it is looked at 17 minutes past every hour.
    assert [at for at, _ in told] == [missed + 7 * HOUR, missed + 3 * DAY, missed + 7 * DAY]
    assert f"Since: {missed:%a %d %b %Y} 03:17" in told[0][1]
    assert f"Safe up to: {board.taken:%a %d %b %Y} 03:17" in told[0][1]
    board.move(board.made.captures[1], board.now)
    assert "shed: captures come again." in board.after_night()
    assert board.after_night() == ""


def test_a_night_that_cannot_begin_for_its_policy(board: Board) -> None:
    board.after_night()
    board.now = board.taken + DAY + 8 * HOUR
    told = tell_of_board(board.made.share, "shed", board.policy, board.facts, LONG_UP, unusable="policy mine: no key")
    assert told["problems"] == ["policy mine: no key"]
    assert "The last try: its command or its policy cannot be used (code 2)" in (board.folder / "one").read_text()


def test_a_board_that_was_off_is_given_the_time_to_catch_up(board: Board) -> None:
    board.look()
    board.now = board.taken + 2 * DAY + 10 * HOUR
    assert board.look(uptime=5 * 3600) == ""
    assert "passed without a capture" in board.look(uptime=7 * 3600)


def test_no_night_is_missed_from_before_it_was_looked_at_first(board: Board) -> None:
    board.now = board.taken + 5 * DAY + 8 * HOUR
    assert board.look() == ""


def test_no_night_is_missed_while_one_is_at_work(board: Board) -> None:
    board.look()
    board.now = board.taken + DAY + 8 * HOUR
    with hold(open_shelf(board.made.share, "shed"), board.facts, Quiet(), "capture"):
        assert board.look() == ""
    assert "passed without a capture" in board.look()


def test_a_clock_that_is_not_trusted_misses_nothing(board: Board) -> None:
    board.look()
    board.now = datetime(2020, 1, 1, tzinfo=UTC)
    assert board.look() == ""


def test_a_share_that_is_not_there_does_not_hide_what_is_missed(board: Board) -> None:
    board.look()
    board.made.share.rename(board.made.share.with_name("away"))
    board.now = board.taken + DAY + 8 * HOUR
    said = board.look()
    assert f"Safe up to: {board.taken:%a %d %b %Y} 03:17" in said
    assert "cannot be looked at" in board.last["problems"][0]


def test_another_share_in_its_place_is_told_of_at_once(board: Board) -> None:
    remember(board.folder / "state", board.made.share, Identity("0" * 32, None))
    assert "where its share should be is another one" in board.after_night(Exit.REFUSED)
    identity = Identity(json.loads((board.made.share / "share.json").read_text())["id"], None)
    remember(board.folder / "state", board.made.share, identity)
    assert "its share is where it should be" in board.after_night()


def test_a_card_that_cannot_be_read_everywhere(board: Board) -> None:
    board.move(board.made.captures[1], board.taken, state="partial", unreadable=[[0, 512]])
    said = board.after_night(Exit.PARTIAL)
    assert "could not be read everywhere" in said
    assert f"Safe up to: {board.taken - DAY:%a %d %b %Y} 03:17" in said
    board.move(board.made.captures[1], board.taken, state="good", unreadable=[])
    assert "its card was read everywhere" in board.after_night()


def test_what_a_night_found_is_told_and_so_is_its_end(board: Board) -> None:
    # As the check of preflight named "power" has it.
    weak = "power: the voltage is too low now, by supply_watch"
    said = board.after_night(Exit.DAMAGE, damage=True, unusual="4 at once", warnings=[weak])
    assert "its power supply is too weak" in said
    assert "there is damage on the share" in said
    assert "more than is usual waits" in said
    assert board.look() == "", "what nobody has looked at since is as it was"
    said = board.after_night()
    assert "no damage was found any more" in said
    assert "is settled" in said
    assert "its power supply holds" in said


def test_a_share_that_stalled(board: Board) -> None:
    assert "stopped answering" in board.look(NightEnded(None, Exit.STALLED))
    assert "answers again" in board.after_night()
    board.now = board.taken + DAY + 8 * HOUR
    board.look(NightEnded(None, Exit.REFUSED))
    assert "The last try: a check refused it before it began (code 3)" in (board.folder / "one").read_text()


def test_what_did_not_arrive_is_told_with_the_next_look(board: Board) -> None:
    deaf = board.folder / "deaf"
    deaf.touch()
    assert board.look(NightEnded(None, Exit.STALLED)) == ""
    assert [way["sent"] for way in board.last["ways"]] == [False]
    deaf.unlink()
    assert "stopped answering" in board.look()
    assert board.look() == ""


def test_a_share_is_left_asleep_while_there_is_nothing_to_tell(board: Board) -> None:
    board.look()
    board.made.share.rename(board.made.share.with_name("asleep"))
    for hours in range(30):  # until the next night's window closes
        board.now = board.taken + hours * HOUR
        board.look()
        assert board.last == {"ways": [], "problems": []}
    board.now = board.taken + DAY + 7 * HOUR
    board.look()
    assert "cannot be looked at" in board.last["problems"][0]


def test_a_board_that_is_away_is_not_missed(board: Board) -> None:
    until = (datetime.now(UTC) + 30 * DAY).date().isoformat()
    backupctl(board.made.share, "boards", "away", "shed", "--until", until)
    board.now = board.taken + DAY + 8 * HOUR
    assert board.look() == ""


def test_a_line_comes_on_monday_morning_for_who_wants_it(board: Board) -> None:
    board.ways("one", digest=True)
    for capture in board.made.captures:
        board.move(capture, board.taken)
    board.policy = replace(board.policy, schedule=SchedulePolicy(when="2199-01-01 00:00"))
    told = list(board.looks_until(board.taken + 15 * DAY, 4 * HOUR))
    assert len(told) == 2
    assert {f"{at:%a %H}" for at, _ in told} == {"Mon 08"}
    assert "This week:\n  shed: last good capture" in told[0][1]


def test_a_memory_that_makes_no_sense_is_begun_anew(board: Board) -> None:
    assert "stopped answering" in board.look(NightEnded(None, Exit.STALLED))
    (file,) = (board.folder / "state" / "told").glob("*.json")
    assert file.stat().st_mode & 0o777 == 0o600
    kept = json.loads(file.read_text())
    for text in ("", "[]", "{}", json.dumps(kept | {"ways": {"command": 5}}), json.dumps(kept | {"began": "soon"})):
        file.write_text(text)
        assert "stopped answering" in board.look(NightEnded(None, Exit.STALLED))


def test_where_nothing_can_be_remembered_it_is_told_all_the_same(board: Board) -> None:
    (board.folder / "state").write_text("no folder")
    for _ in range(2):
        assert "stopped answering" in board.look(NightEnded(None, Exit.STALLED))
        assert "will be told again" in board.last["problems"][-1]


def test_nobody_is_to_be_told(board: Board) -> None:
    board.policy = Policy()
    assert board.look(NightEnded(None, Exit.STALLED)) == ""
    assert board.last == {"ways": [], "problems": []}
    assert not os.path.lexists(board.folder / "state")
