"""What changed between captures of files, and what they will cost: against files that the test itself has changed."""

from __future__ import annotations

import os
import random
from datetime import timedelta
from pathlib import Path
from statistics import mean
from typing import Any

import pytest

from backupctl.domain.policy import PacePolicy, Policy, RetentionPolicy, StorePolicy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.keeping.forecast import costs_ahead
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import SmallBoard, empty_shelf

SEGMENT = 256 << 10
LARGE = 2 * SEGMENT  # a header, and two segments
POLICY = Policy(
    store=StorePolicy(read_back=False), pace=PacePolicy(workers=1),
    retention=RetentionPolicy(daily=3, weekly=0, monthly=0, yearly=0, everything_for=0),
)  # fmt: skip


class FilesBoard:
    def __init__(self, folder: Path) -> None:
        self.tree, self.chance = folder / "tree", random.Random(4)
        self.tree.mkdir()
        self.clock = SmallBoard(folder)
        root = empty_shelf(folder / "share")
        self.shelf: Shelf = self.clock.shelf(FolderStorage(root), root)

    def write(self, name: str, length: int = LARGE, offset: int = 0) -> None:
        """Bytes that do not compress."""
        with (self.tree / name).open("r+b" if offset else "wb") as file:
            file.seek(offset)
            file.write(self.chance.randbytes(length))

    def night(self) -> dict[str, Any]:
        """Takes a capture; the changes that its event tells."""
        capture(self.shelf, CaptureOptions(self.tree, POLICY), self.clock.facts(), Quiet(), Stop())
        thin(self.shelf, ThinOptions(POLICY, lambda _: "", yes=True, all=True), self.clock.facts(), Quiet(), Stop())
        self.clock.now += timedelta(days=1)
        told = [event for event in read_manifest(self.shelf.storage).events if event.kind == "captured"]
        changes: dict[str, Any] = told[-1].body["changes"]
        return changes

    def stands(self) -> int:
        """Bytes on the shelf, without the trash."""
        files = [path for path in self.shelf.path.rglob("*") if path.is_file()]
        return sum(path.stat().st_size for path in files if path.parent.parent.name != "trash")


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FilesBoard:
    monkeypatch.setattr(os, "fsync", lambda _: None)
    return FilesBoard(tmp_path)


def test_what_changed_is_told(board: FilesBoard) -> None:
    for name in "bcdef":
        board.write(name)
    assert board.night() is None
    same = board.night()
    assert (same["written"], same["appeared"], same["freed"], same["stored"]) == ([], [], [], 0)
    board.write("a new one, before all others")
    board.write("c", 1000, offset=SEGMENT + 5)
    (board.tree / "e").unlink()
    changes = board.night()
    # Two numbers each: a new file and what was a new second half, with its header; and a whole file that went. The
    # root's own header has the time of the folder.
    assert (len(changes["appeared"]) // 2, len(changes["freed"])) == (3, 3)
    assert len(changes["written"]) // 2 in (2, 3)
    assert changes["one_in"] == 1
    sizes = changes["written"][1::2] + changes["appeared"][1::2]
    assert sum(sizes) * 512 == changes["stored"]
    assert 3 * SEGMENT <= changes["stored"] <= 3 * SEGMENT + 8 * 1024


def test_a_forecast_comes_true(board: FilesBoard) -> None:
    """Every night two files of twenty are other ones; three nights are kept."""

    def day() -> None:
        board.write("log")
        board.write(f"file {board.chance.randrange(19)}")

    for number in range(19):
        board.write(f"file {number}")
    for _ in range(14):
        day()
        board.night()
    told = costs_ahead(board.shelf, [POLICY], board.clock.facts(), Quiet(), Stop())
    assert told["nights_measured"] == 13
    assert told["now_bytes"] == pytest.approx(board.stands(), rel=0.02)
    # Parts that are mostly dead are rewritten, so both rise and fall by a third: a month's mean is compared.
    said = mean(moment["median_bytes"] for moment in told["course"][1:5])
    stood = []
    for _ in range(28):
        day()
        board.night()
        stood.append(board.stands())
    assert said == pytest.approx(mean(stood), rel=0.2)
