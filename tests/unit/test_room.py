"""What is wanted and what is to be left, from what nights have written; the rule stands beside each row."""

from __future__ import annotations

import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from backupctl.operations.capturing.room import LEAST, Room, room_for

MIB = 1 << 20


@pytest.mark.parametrize(
    ("written", "wanted", "reserve"),
    [
        ((), 600, 100),  # a guess by what is in use; a tenth of the share
        ((600,), 600, 100),  # the first capture says nothing of a night
        ((600, 10), 20, 100),
        ((600, 10, 40, 10, 30), 80, 100),  # twice the most of the last three
        ((600, 400), 600, 100),  # never more than a whole one
    ],
)
def test_room(monkeypatch: pytest.MonkeyPatch, written: tuple[int, ...], wanted: int, reserve: int) -> None:
    found = SimpleNamespace(f_frsize=MIB, f_blocks=1000, f_bavail=500)
    monkeypatch.setattr(os, "statvfs", lambda _: found)
    records = cast(Any, [SimpleNamespace(written_bytes=count * MIB) for count in written])
    room = room_for(Path("/nowhere"), records, 1000 * MIB, 10)
    assert room == Room(500 * MIB, wanted * MIB, reserve * MIB)


def test_the_reserve_is_no_more_than_a_whole_capture(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_frsize=1024, f_blocks=1 << 40, f_bavail=1 << 39))
    assert room_for(Path("/nowhere"), (), 1000 * MIB, 10).reserve == 600 * MIB


@pytest.mark.parametrize(
    ("free", "wanted", "reserve", "is_short"),
    [(299, 200, 100, True), (300, 200, 100, False), (63, 1, 1, True), (64, 1, 1, False)],
)
def test_short(free: int, wanted: int, reserve: int, is_short: bool) -> None:
    assert LEAST == 64 * MIB
    assert Room(free * MIB, wanted * MIB, reserve * MIB).is_short == is_short
