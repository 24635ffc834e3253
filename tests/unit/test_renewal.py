"""Old copies are written once more when seen again: not too early, not all at once, no more than so much."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.policy import SpacePolicy
from backupctl.operations.capturing import image_run
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.capturing.renewal import Renewal
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.index import SegmentIndex
from backupctl.share.manifest import read_manifest
from backupctl.share.parts import list_parts
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import FIRST_CARD, SEGMENT, SmallBoard, empty_shelf, policy
from tests.unit.thinned_board import segments_by_part, thin_once

DAY = 86_400
SEGMENTS_WRITTEN = 17  # of the first card


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallBoard:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    return SmallBoard(tmp_path)


@pytest.fixture
def shelf(board: SmallBoard) -> Shelf:
    path = empty_shelf(board.folder / "share")
    shelf = board.shelf(FolderStorage(path), path)
    board.capture(shelf, FIRST_CARD)
    return shelf


def night(board: SmallBoard, shelf: Shelf, days: float, **space: int) -> int:
    """A capture of the same card, `days` after the last one; how many segments it writes again."""
    for path in (shelf.path / "stock").iterdir():
        when = path.stat().st_mtime - days * DAY
        os.utime(path, (when, when))
    card = board.folder / "card.img"
    chosen = replace(policy(), space=SpacePolicy(**space))
    found = capture(shelf, CaptureOptions(card, chosen), board.facts(), Quiet(), Stop())
    board.contents[found["id"]] = FIRST_CARD
    return int(read_manifest(shelf.storage).events[-1].body["renewed_bytes"]) // SEGMENT


def test_what_is_young_is_not_written_again(board: SmallBoard, shelf: Shelf) -> None:
    assert night(board, shelf, 134, renew_after=180 * DAY) == 0  # 0.75 of it are 135
    assert len(list_parts(shelf.storage)[0]) == 1


def test_what_is_old_is(board: SmallBoard, shelf: Shelf) -> None:
    old = set(list_parts(shelf.storage)[0])
    assert night(board, shelf, 226, renew_after=180 * DAY) == SEGMENTS_WRITTEN  # 1.25 of it are 225
    assert night(board, shelf, 1, renew_after=180 * DAY) == 0
    board.check(shelf)
    # The new copies are confirmed by now: nothing needs the old part.
    thin_once(board, shelf, tidy=True)
    assert [len(part) for part in segments_by_part(shelf)] == [SEGMENTS_WRITTEN]
    assert not set(list_parts(shelf.storage)[0]) & old


def test_what_one_night_wrote_is_renewed_over_months(board: SmallBoard, shelf: Shelf) -> None:
    renewed = [night(board, shelf, days, renew_after=180 * DAY) for days in (136, 30, 30, 29)]
    assert sum(renewed) == SEGMENTS_WRITTEN
    assert max(renewed) < SEGMENTS_WRITTEN
    board.check(shelf)


def test_no_more_than_so_much_a_night(board: SmallBoard, shelf: Shelf) -> None:
    most = 5 * (SEGMENT + 1024)  # random bytes, which zstd stores as they are, and padding
    renewed = [night(board, shelf, days, renew_after=180 * DAY, renew_traffic=most) for days in (230, 0, 0, 0)]
    assert renewed == [5, 5, 5, 2]
    board.check(shelf)


def test_never(board: SmallBoard, shelf: Shelf) -> None:
    assert night(board, shelf, 5000, renew_after=0) == 0


def test_the_moment_is_spread_evenly_over_the_hashes() -> None:
    """For each tenth of the time between, a tenth of the segments."""
    index = SegmentIndex(16)
    part = index.part_number("0" * 20)
    for number in range(1000):
        index.add((number * (1 << 32) // 1000).to_bytes(4) + number.to_bytes(12), "0" * 20)
    space = SpacePolicy(renew_after=100 * DAY)
    due = [
        sum(Renewal(index, {part: days * DAY}, space).is_due(number) for number in range(1000))
        for days in (74.9, 80, 85, 100, 124, 125)
    ]
    assert due == pytest.approx([0, 100, 200, 500, 980, 1000], abs=2)
