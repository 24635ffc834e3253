"""This board today, in about ten lines of 80 columns."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.formats.test_guards import altered
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

TODAY = ("today", "--board", "shed")


def test_a_board_that_is_well(hurt: Made) -> None:
    backupctl(hurt.share, "verify")
    ended = backupctl(hurt.share, *TODAY)
    lines = ended.out.splitlines()
    assert len(lines) <= 11
    assert max(map(len, lines)) < 80
    assert lines[-1] == "attention   nothing"
    found = backupctl(hurt.share, *TODAY, "--json").json
    assert found["newest_good"]["id"] == hurt.captures[1]
    night = datetime.fromisoformat(found["next_night"])
    assert (night.hour, night.minute) == (3, 17)
    assert timedelta(0) < night - datetime.fromisoformat(found["now"]) <= timedelta(days=1, hours=1)


def test_a_board_that_needs_somebody(hurt: Made) -> None:
    for days, capture in zip((9, 8), hurt.captures, strict=True):
        at = (datetime.now().astimezone() - timedelta(days=days)).isoformat(timespec="seconds")
        altered(hurt, capture, started=at, finished=at)
    ended = backupctl(hurt.share, *TODAY, code=4)
    assert "overdue since" in ended.out
    altered(hurt, hurt.captures[1], state="partial", unreadable=[[0, 512]])
    assert "could not be read everywhere" in backupctl(hurt.share, *TODAY, code=4).out


def test_a_board_without_a_shelf(hurt: Made, tmp_path: Path) -> None:
    said = backupctl(hurt.share, "today", "--board", "barn", code=4).out
    assert "there is no capture yet" in " ".join(said.split())
    assert "no mark" in backupctl(tmp_path, *TODAY, code=3).err
