"""Checks of card, clock, name and time, each on what it looks at."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from backupctl.board import block_device, health
from backupctl.domain.events import Continued, History
from backupctl.domain.policy import PacePolicy, Policy
from backupctl.operations.facts import Facts
from backupctl.operations.preflight import board, card
from backupctl.operations.preflight.check import Check
from backupctl.operations.preflight.situation import CardSituation
from backupctl.share.probe import Probed

NOW = datetime(2026, 12, 1, 3, 0, tzinfo=UTC)
HOUR = 3600
GIB = 1 << 30


def record(**others: Any) -> Any:
    usual = {
        "id": "newest", "sequence": 5, "source": {"serial": "0x1a"}, "stream_bytes": 4 * GIB,
        "started": "2026-11-30T03:00:00+00:00", "finished": "2026-11-30T03:10:00+00:00",
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **others})


def situation(
    *images: Any,
    machine: str = "ours",
    identity: dict[str, Any] | None = None,
    live: bool = False,
    history: History | None = None,
    policy: Policy | None = None,
    synchronised: bool | None = True,
    ahead: float | None = None,
    same_machine: bool = False,
) -> CardSituation:
    shelf = SimpleNamespace(board="greenhouse", mark=SimpleNamespace(same_machine=same_machine))
    found = CardSituation(
        folder=Path("/nowhere"),
        shelf=cast(Any, shelf),
        session=cast(Any, SimpleNamespace(history=history or History(), problems=[])),
        facts=Facts("greenhouse", machine, "this boot", "UTC", synchronised, Path("/nowhere"), lambda: NOW),
        policy=policy or Policy(),
        subject=cast(Any, SimpleNamespace(identity=identity or {"serial": "0x1a"}, live=live or None, path="/nowhere")),
        card=cast(Any, SimpleNamespace(size=4 * GIB, data=SimpleNamespace(total=GIB))),
        probed=None if ahead is None else Probed(1 << 20, 1 << 20, ahead),
    )
    found.__dict__["captures"] = images
    return found


def test_a_card_that_has_grown() -> None:
    assert card.check_size(situation()).result == "ok"
    assert card.check_size(situation(record())).result == "ok"
    grown = card.check_size(situation(record(stream_bytes=3 * GIB)))
    assert (grown.result, grown.detail) == ("warning", f"{4 * GIB} bytes, and {3 * GIB} when it was captured last")
    of_another_card = record(stream_bytes=3 * GIB, source={"serial": "0x2b"})
    assert card.check_size(situation(of_another_card)).result == "ok"


@pytest.mark.parametrize(
    ("before", "now", "words"),
    [
        ({"boot": "this boot", "count": 2}, {"boot": "this boot", "count": 9}, "7 errors"),
        ({"boot": "this boot", "count": 2}, {"boot": "this boot", "count": 2}, ""),
        ({"boot": "another", "count": 2}, {"boot": "this boot", "count": 9}, ""),  # counts begin anew
        (None, {"boot": "this boot", "count": 9}, ""),
        ({"boot": "this boot", "count": "2"}, {"boot": "this boot", "count": 9}, ""),  # from a hostile share
    ],
)
def test_errors_since_the_newest_capture(before: object, now: object, words: str) -> None:
    found = situation(
        record(source={"serial": "0x1a", "io_errors": before}), identity={"serial": "0x1a", "io_errors": now}
    )
    said = " ".join(card._new_io_errors(found))
    assert said.startswith(words)
    assert bool(said) == bool(words)


LIVE_ELSEWHERE = {"serial": "0x2b", "live": "tracked"}


@pytest.mark.parametrize(
    ("source", "live", "continued", "result"),
    [
        (LIVE_ELSEWHERE, True, 0, "refuse"),  # two boards, each captures its own card under one name
        (LIVE_ELSEWHERE, True, 6, "ok"),  # somebody said that the one replaces the other
        (LIVE_ELSEWHERE, False, 0, "ok"),  # a card in a reader: the machine is not the board
        ({"serial": "0x2b"}, True, 0, "ok"),  # the newest capture was taken by a reader
        ({"serial": "0x1a", "live": "tracked"}, True, 0, "ok"),  # the card has moved into another board
    ],
)
def test_a_name_that_another_board_has(source: dict[str, Any], live: bool, continued: int, result: str) -> None:
    history = History(taken_by={"newest": "theirs"})
    if continued:
        history.continued = (Continued(continued, "board", "", None),)
    found = board.check_name(situation(record(source=source), live=live, history=history))
    assert found.result == result
    of_this_board = History(taken_by={"newest": "ours"})
    assert board.check_name(situation(record(source=source), live=live, history=of_this_board)).result == "ok"


@pytest.mark.parametrize(
    ("synchronised", "ahead", "same_machine", "clock", "server"),
    [
        (True, None, False, "", ""),
        (True, 30 * 60, False, "", ""),
        (True, 24 * HOUR, False, "", "24 hours ahead of this machine's"),
        (True, -48 * HOUR, False, "", "2 days behind this machine's"),
        (None, 24 * HOUR, False, "no time service", ""),  # either may be wrong
        (False, 5, False, "", ""),  # the server vouches for it
        (False, None, False, "has not set the clock", ""),
        (False, 0, True, "has not set the clock", ""),  # it is the same clock
    ],
)
def test_clocks(synchronised: bool | None, ahead: float | None, same_machine: bool, clock: str, server: str) -> None:
    """`clock`, `server`: what each is warned of; empty if it is not."""
    at = situation(synchronised=synchronised, ahead=ahead, same_machine=same_machine)
    for found, words in ((board.check_clock(at), clock), (board.check_server_clock(at), server)):
        assert (found.result, words in found.detail) == ("warning" if words else "ok", True)


def test_an_owner_vouches_for_the_clock() -> None:
    found = situation(synchronised=False)
    assert board.check_clock(found).result == "warning"
    object.__setattr__(found.facts, "clock_vouched", True)
    assert board.check_clock(found).result == "ok"


def test_the_time_of_a_night() -> None:
    long = record(finished="2026-11-30T10:00:00+00:00")
    assert board.check_time(situation(long, record())).result == "ok"  # the first one says nothing
    told = board.check_time(situation(record(), long))
    assert told.result == "warning"
    assert "7:00:00 wanted, as the last ones took; the window is 6 hours" in told.detail
    # A GiB at 1 MiB a second, or at what the policy allows.
    assert "17:04 wanted" in board.check_time(situation(ahead=0)).detail
    slow = Policy(pace=PacePolicy(rate=32 << 10))
    assert board.check_time(situation(ahead=0, policy=slow)).result == "warning"


def test_words_of_a_difference() -> None:
    assert board.words_of_difference(timedelta(minutes=90)) == "90 minutes ahead of this machine's"
    assert board.words_of_difference(timedelta(seconds=-7)) == "the same as this machine's, to the minute"


@pytest.mark.parametrize(
    ("check", "found", "said"),
    [
        (card.check_power, {"under_voltage": ["supply_watch"]}, "the voltage is too low now, by supply_watch"),
        (card.check_heat, {"too_hot": ["cpu-thermal has 91 degrees C"]}, "cpu-thermal has 91 degrees C"),
        (card.check_wear, {"wear": ["90 % is used up"]}, "90 % is used up"),
        (card.check_wear, {"file_system_errors": ["4 in sda2"]}, "errors: 4 in sda2"),
    ],
)
def test_what_the_kernel_says_is_a_warning_with_what_to_do(
    monkeypatch: pytest.MonkeyPatch, check: Callable[[CardSituation], Check], found: dict[str, list[str]], said: str
) -> None:
    """How it is found in /sys, `test_health.py` tests."""
    monkeypatch.setattr(Path, "is_block_device", lambda _: True)
    monkeypatch.setattr(block_device, "disk_of", lambda _: None)
    for name in ("under_voltage", "too_hot", "wear", "file_system_errors"):
        monkeypatch.setattr(health, name, lambda *_: [])
    assert check(situation(record())).result == "ok"
    for name, texts in found.items():
        monkeypatch.setattr(health, name, lambda *_, texts=texts: texts)
    told = check(situation(record()))
    assert (told.result, told.detail) == ("warning", said)
    assert told.todo
