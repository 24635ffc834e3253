"""What an event says about the change since the capture before: a sample of cells that a forecast can rely on."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.changes import Changes, is_sampled, one_in_for, parse_changes, sampled_cells
from backupctl.operations.capturing import image_run
from backupctl.share.manifest import read_manifest
from backupctl.share.parts import list_parts, part_name
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import SEGMENT, SEGMENTS, ZERO_SEGMENTS, SmallBoard, card_bytes, empty_shelf

CHANGED = (0, 3, 5, 12)  # 3 was zero


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallBoard:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(os, "fsync", lambda _: None)
    return SmallBoard(tmp_path)


def said(storage: FolderStorage) -> list[object]:
    return [event.body["changes"] for event in read_manifest(storage).events if event.kind == "captured"]


def test_a_capture_says_what_changed_since_the_one_before(board: SmallBoard) -> None:
    root = empty_shelf(board.folder / "share")
    storage = FolderStorage(root)
    shelf = board.shelf(storage, root)
    first = board.capture(shelf, card_bytes())
    parts = set(list_parts(storage)[0])
    second = board.capture(shelf, card_bytes(changed=CHANGED))
    third = board.capture(shelf, card_bytes())
    nothing, changes, back = said(storage)
    assert nothing is None
    found = parse_changes(changes)
    assert found is not None
    assert (found.since, found.one_in) == (first["id"], 1)
    assert found.written.keys() == set(CHANGED) - set(ZERO_SEGMENTS)
    assert found.appeared.keys() == set(CHANGED) & set(ZERO_SEGMENTS)
    assert not found.freed
    # By the sizes of the files: all of the new parts but their heads.
    new_files = [storage.size(part_name(part)) or 0 for part in set(list_parts(storage)[0]) - parts]
    assert found.stored == sum(new_files) - 512 * len(new_files)
    assert found.stored == sum((found.written | found.appeared).values())
    assert parse_changes(back) == Changes(second["id"], 1, 0, dict.fromkeys((0, 5, 12), 0), {}, frozenset({3}))
    assert third["written_bytes"] < SEGMENT


@pytest.mark.parametrize("one_in", [2, 3, 16, 37])
def test_samples_are_even_and_one_is_part_of_the_other(one_in: int) -> None:
    cells = list(sampled_cells(100_000, one_in))
    assert len(cells) == pytest.approx(100_000 / one_in, rel=0.01)
    assert all(is_sampled(cell, one_in) and is_sampled(cell, one_in - 1) for cell in cells)
    in_the_middle = sum(40_000 <= cell < 60_000 for cell in cells)
    assert in_the_middle == pytest.approx(20_000 / one_in, rel=0.03)


def test_a_sample_stays_small() -> None:
    assert one_in_for(0) == one_in_for(4096) == 1
    assert one_in_for(60_000) == 15
    body = Changes("x", 15, 0, dict.fromkeys(range(1, 100), 300 << 10), {}, frozenset()).body()
    assert len(json.dumps(body)) < 2048


@pytest.mark.parametrize(
    "change",
    [
        {"one_in": 0}, {"one_in": True}, {"since": 7}, {"stored": -1}, {"stored": 1 << 61}, {"written": [1]},
        {"written": [1, -1]}, {"written": [1, 1 << 20]}, {"appeared": {"1": 2}}, {"freed": ["1"]}, {"freed": None},
    ],
)  # fmt: skip
def test_an_event_of_a_hostile_share_says_nothing(change: dict[str, Any]) -> None:
    body = Changes("x", 1, 512, {1: 512}, {}, frozenset({2})).body()
    assert parse_changes(body) is not None
    assert parse_changes(body | change) is None
    assert parse_changes(None) is parse_changes([]) is parse_changes({}) is None


def test_the_last_cell_of_a_card_counts(board: SmallBoard) -> None:
    root = empty_shelf(board.folder / "share")
    shelf = board.shelf(FolderStorage(root), root)
    board.capture(shelf, card_bytes())
    board.capture(shelf, card_bytes(changed=(SEGMENTS - 1,)))
    found = parse_changes(said(FolderStorage(root))[-1])
    assert found is not None
    assert list(found.written) == [SEGMENTS - 1]
