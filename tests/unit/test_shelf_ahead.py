"""What a forecast takes from a shelf: by a sample of the cells, and yet to the byte what stands there."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from math import ceil
from pathlib import Path

import pytest

from backupctl.domain import forecast as forecast_module
from backupctl.domain.changes import Changes
from backupctl.domain.errors import Interrupted, NotFound
from backupctl.domain.events import Event
from backupctl.domain.policy import Policy, RetentionPolicy
from backupctl.operations.capturing import image_run
from backupctl.operations.keeping import shelf_ahead as ahead_module
from backupctl.operations.keeping.forecast import costs_ahead
from backupctl.operations.keeping.shelf_ahead import ShelfReading, nights_of
from backupctl.operations.progress import Quiet, Step, Stop
from backupctl.share.parts import list_parts, part_name
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import SEGMENT, SmallBoard, card_bytes, empty_shelf


def nobody_listens(_: str) -> None: ...


class Told(Quiet):
    """Remembers each step, and does something with it."""

    def __init__(self, then: Callable[[str], None] = nobody_listens) -> None:
        self.steps: list[str] = []
        self._then = then

    def step(self, step: Step) -> None:
        self.steps.append(step.name)
        self._then(step.name)


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallBoard:
    for module in (image_run, ahead_module):
        monkeypatch.setattr(module, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(os, "fsync", lambda _: None)
    return SmallBoard(tmp_path)


@pytest.fixture
def shelf(board: SmallBoard) -> Shelf:
    root = empty_shelf(board.folder / "share")
    return board.shelf(FolderStorage(root), root)


def nightly(board: SmallBoard, shelf: Shelf, *contents: bytes) -> None:
    for content in contents:
        board.capture(shelf, content)
        board.now += timedelta(days=1)


@pytest.mark.parametrize("one_in", [1, 2, 5, 1000])
def test_whatever_the_sample_all_bytes_are_there(
    board: SmallBoard, shelf: Shelf, one_in: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    nightly(board, shelf, card_bytes(), card_bytes((0, 5)), card_bytes((0, 5, 12)), card_bytes((5, 7)))
    monkeypatch.setattr(ahead_module, "sample_for", lambda *_: one_in)
    reading = ShelfReading(shelf, board.facts(), nobody_listens)
    found = reading.ahead(reading.nights, 365)
    files = [shelf.storage.size(part_name(part)) or 0 for part in list_parts(shelf.storage)[0]]
    assert sorted(part.stored for part in found.shelf.parts) == sorted(files)
    held: Counter[int] = Counter()
    for part, stored in [(item.part, item.stored) for item in found.shelf.older] + [
        (item.part, item.stored) for item in found.shelf.current.values()
    ]:
        held[part] += stored
    # All that the parts hold is needed by one of the captures; a part has a head of 512 bytes.
    for number, there in enumerate(found.shelf.parts):
        assert held[number] == pytest.approx(there.stored - 512, abs=len(found.shelf.current))
    # No more than the card has, and one for each group that has none in the sample.
    invented = sum(cell < 0 for cell in found.shelf.current)
    assert found.shelf.most_cells == ceil(len(card_bytes()) / SEGMENT / one_in) + invented
    reading.close()
    assert found.interval == timedelta(days=1)
    # Cell 0 was as on the first day before, and is so again; 12 is too.
    first = {cell: item.first for cell, item in found.shelf.current.items()}
    if one_in == 1:  # 0 and 12 are again what they were at first
        assert (first[0], first[5], first[7], first[12], first[19]) == (3, 1, 3, 3, 0)
        assert Counter(item.runs for item in found.shelf.older) == dict.fromkeys(
            [((0, 1),), ((0, 3),), ((1, 3),), ((2, 3),)],
            1,  # of 5, of 7, of 0 and of 12
        )


def test_a_board_that_was_off_for_long_goes_on_from_today(board: SmallBoard, shelf: Shelf) -> None:
    nightly(board, shelf, card_bytes(), card_bytes((0,)), card_bytes((1,)))
    board.now += timedelta(days=100)
    reading = ShelfReading(shelf, board.facts(), nobody_listens)
    found = reading.ahead(reading.nights, 365)
    reading.close()
    assert abs(found.last + found.interval - board.now) < timedelta(minutes=1)


def test_what_a_policy_costs_does_not_depend_on_what_it_is_compared_with(
    board: SmallBoard, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    # So that there is a sample of the few cells.
    monkeypatch.setattr(forecast_module, "CHANGES_A_RUN", 500)
    monkeypatch.setattr(forecast_module, "_LEAST_CHANGES", 1)
    nightly(board, shelf, card_bytes(), card_bytes((0, 5)), card_bytes((0, 5, 12)), card_bytes((5, 7)))
    standard, longer = Policy(), Policy("longer", retention=RetentionPolicy(yearly=5))
    told = Told()
    [alone] = costs_ahead(shelf, [standard], board.facts(), told, Stop())["policies"]
    [first, other] = costs_ahead(shelf, [standard, longer], board.facts(), Quiet(), Stop())["policies"]
    for when in ("year", "steady"):
        assert first[when] | {"at": ""} == alone[when] | {"at": ""}  # the clock goes on in between
    assert other["steady"]["at"] > first["steady"]["at"]
    assert sum("under standard, run " in step for step in told.steps) >= 2 * 19


def test_a_long_simulation_can_be_stopped(board: SmallBoard, shelf: Shelf) -> None:
    nightly(board, shelf, card_bytes(), card_bytes((0,)))
    stop = Stop()
    told = Told(lambda words: stop.ask(terminated=False) if "run 2 of" in words else None)
    with pytest.raises(Interrupted):
        costs_ahead(shelf, [Policy()], board.facts(), told, stop)
    assert "run 2 of" in told.steps[-1]


def test_without_a_capture_there_is_nothing_to_go_on(board: SmallBoard, shelf: Shelf) -> None:
    with pytest.raises(NotFound):
        ShelfReading(shelf, board.facts(), nobody_listens)


def test_nights_under_a_clock_that_was_not_trusted_are_left_out() -> None:
    body = {"capture": "20261124T021700Z-image-0a1b2c", "changes": Changes("x", 1, 0, {}, {}, frozenset()).body()}
    events = [Event(n, "", "captured", "", trusted, {}, body) for n, trusted in enumerate((True, False))]
    [night] = nights_of(events, UTC)
    assert night.at == datetime(2026, 11, 24, 2, 17, tzinfo=UTC)
    assert nights_of([Event(1, "", "captured", "", True, {}, {**body, "capture": "../x"})], UTC) == []
