"""Whatever change of a removal fails, is cut short, or meets a power cut: what is listed can be restored, bit for bit,
and the next thinning finishes the work.

For each nth change of a thinning, a discarding and a tidying (which rewrites, confirms and empties the trash as
well): all that the policy keeps is still there; and after one more thinning the shelf holds what it would after one
that nothing befell.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError
from backupctl.operations import session as session_module
from backupctl.operations.capturing import image_run
from backupctl.share import ballast as ballast_module
from backupctl.share.shelf import Shelf
from tests.unit.faulty_storage import Dead, Disk, Fault, FaultyStorage
from tests.unit.small_board import SEGMENT, SmallBoard
from tests.unit.thinned_board import (
    check_restores,
    discard_by_hand,
    five_nights,
    other_files,
    segments_by_part,
    thin_once,
)

KEPT = 2  # captures, by the policy

Removal = Callable[[SmallBoard, Shelf], object]


def thinning(board: SmallBoard, shelf: Shelf) -> object:
    return thin_once(board, shelf)


def discarding(board: SmallBoard, shelf: Shelf) -> object:
    return discard_by_hand(board, shelf, list(board.contents)[1])


def tidying(board: SmallBoard, shelf: Shelf) -> object:
    return thin_once(board, shelf, tidy=True)


@pytest.fixture(autouse=True)
def _small_and_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(ballast_module, "_BYTES", 512)
    monkeypatch.setattr(os, "fsync", lambda _: None)  # `Disk` knows what is synced
    # A lock that a crash has torn is watched for a minute.
    monkeypatch.setattr(session_module, "_wait", lambda *_: None)


class Shelves:
    """Makes the same shelf again and again."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        (folder / "template").mkdir()
        self._board, self._path = five_nights(folder / "template")
        self._count = 0

    def new(self) -> tuple[SmallBoard, Disk]:
        self._count += 1
        folder = self._folder / f"{self._count}"
        folder.mkdir()
        shutil.copytree(self._path, folder / "shelf")
        board = SmallBoard(folder, self._board.now, self._board.starts, dict(self._board.contents))
        return board, Disk(folder / "shelf")


def shelf_on(board: SmallBoard, storage: FaultyStorage) -> Shelf:
    return board.shelf(storage, storage.disk.root)


State = tuple[list[str], list[list[str]], list[str]]


def state(board: SmallBoard, disk: Disk) -> State:
    """What can be restored, and what stands on the shelf."""
    shelf = shelf_on(board, FaultyStorage(disk))
    return check_restores(board, shelf), segments_by_part(shelf), other_files(disk.root)


@pytest.fixture
def shelves(tmp_path: Path) -> Shelves:
    return Shelves(tmp_path)


def clean(shelves: Shelves, remove: Removal) -> tuple[FaultyStorage, State]:
    """How many changes and reads it takes where nothing befalls it; what a tidying leaves then."""
    board, disk = shelves.new()
    counting = FaultyStorage(disk)
    remove(board, shelf_on(board, counting))
    tidying(board, shelf_on(board, FaultyStorage(disk)))
    return counting, state(board, disk)


def attempt(board: SmallBoard, storage: FaultyStorage, remove: Removal) -> None:
    try:
        remove(board, shelf_on(board, storage))
    except (Dead, OSError, BackupctlError):
        pass


def finish(board: SmallBoard, disk: Disk, wanted: State) -> None:
    listed = check_restores(board, shelf_on(board, FaultyStorage(disk)))
    assert listed[-KEPT:] == list(board.contents)[-KEPT:]
    for path in (*disk.root.rglob("*.new"), *disk.root.glob("probe/*")):
        os.utime(path, (0, 0))  # perhaps somebody is writing it just now: a thinning waits for an hour
    tidying(board, shelf_on(board, FaultyStorage(disk)))
    assert state(board, disk) == wanted


@pytest.mark.parametrize("fault", [Fault.FAILS, Fault.DIES, Fault.FULL])
@pytest.mark.parametrize("remove", [thinning, discarding, tidying])
def test_a_change_goes_wrong(shelves: Shelves, remove: Removal, fault: Fault) -> None:
    counted, wanted = clean(shelves, remove)
    for at in range(1, counted.changes + 1):
        board, disk = shelves.new()
        attempt(board, FaultyStorage(disk, fault, at), remove)
        finish(board, disk, wanted)


@pytest.mark.parametrize("remove", [thinning, discarding, tidying])
def test_the_server_loses_power(shelves: Shelves, remove: Removal) -> None:
    counted, wanted = clean(shelves, remove)
    for at in range(1, counted.changes + 2):
        board, disk = shelves.new()
        attempt(board, FaultyStorage(disk, Fault.DIES, at), remove)
        disk.lose_power(random.Random(f"{remove} {at}"))
        finish(board, disk, wanted)
        # What the thinning after the crash has done rests on nothing that only seemed to be there.
        disk.lose_power(random.Random(f"again {at}"))
        assert state(board, disk) == wanted


@pytest.mark.parametrize("remove", [thinning, discarding, tidying])
def test_reading_fails_once(shelves: Shelves, remove: Removal) -> None:
    counted, wanted = clean(shelves, remove)
    step = 3 if remove is tidying else 1  # its reads are those of the others, and more of the same
    for at in range(1, counted.reads + 1, step):
        board, disk = shelves.new()
        attempt(board, FaultyStorage(disk, Fault.UNREADABLE, at), remove)
        finish(board, disk, wanted)
