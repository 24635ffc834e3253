"""A shelf that is being retired is whole, or says that it is to go; whatever befalls it, the next call ends it."""

from __future__ import annotations

import errno
import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError
from backupctl.operations import session as session_module
from backupctl.operations.capturing import image_run
from backupctl.operations.keeping.retiring import remove_shelf
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.marks import RETIRED_MARK, SHELF_MARK, read_shelf_mark
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage, Sink
from tests.unit.faulty_storage import Dead, Disk, Fault, FaultyStorage
from tests.unit.small_board import FIRST_CARD, SECOND_CARD, SEGMENT, SmallBoard, copied, empty_shelf

Start = Callable[[], tuple[SmallBoard, Disk]]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Start:
    """Makes the same shelf with two captures again and again."""
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(os, "fsync", lambda _: None)  # `Disk` knows what is synced
    monkeypatch.setattr(session_module, "_wait", lambda *_: None)  # for a lock that a crash has torn
    template = empty_shelf(tmp_path / "template")
    board = SmallBoard(tmp_path)
    shelf = board.shelf(FaultyStorage(Disk(template)), template)
    for content in (FIRST_CARD, SECOND_CARD):
        board.capture(shelf, content)
    count = 0

    def make() -> tuple[SmallBoard, Disk]:
        nonlocal count
        count += 1
        folder = tmp_path / f"{count}"
        folder.mkdir()
        root = copied(template, folder / "shelf")
        return SmallBoard(folder, board.now, board.starts, dict(board.contents)), Disk(root)

    return make


def retired(board: SmallBoard, storage: FaultyStorage) -> bool:
    """Whether it was reported as done."""
    root = storage.disk.root
    mark = read_shelf_mark(FaultyStorage(storage.disk)) or read_shelf_mark(FaultyStorage(storage.disk), RETIRED_MARK)
    assert mark is not None
    try:
        left = remove_shelf(Shelf(storage, mark, root), board.facts(), Quiet(), Stop())
    except (Dead, OSError, BackupctlError):
        return False
    assert left == []
    return True


def changes_of_retiring(start: Start) -> int:
    board, disk = start()
    storage = FaultyStorage(disk)
    assert retired(board, storage)
    assert not disk.root.exists()
    return storage.changes


def ends(board: SmallBoard, disk: Disk) -> str:
    """What state the shelf is in; then, that another call removes what there is."""
    names = {path.name for path in disk.root.iterdir()} if disk.root.exists() else set()
    if SHELF_MARK in names:
        shelf = board.shelf(FaultyStorage(disk), disk.root)
        board.check(shelf)
        board.verify(shelf)
        return "whole"
    if RETIRED_MARK not in names:
        assert not names
        return "gone"
    assert retired(board, FaultyStorage(disk))
    assert not disk.root.exists()
    return "retired"


def test_the_process_ends(start: Start) -> None:
    states = []
    for at in range(1, changes_of_retiring(start) + 1):
        board, disk = start()
        assert not retired(board, FaultyStorage(disk, Fault.DIES, at))
        states.append(ends(board, disk))
    # In this order, and each of them is seen.
    assert states == sorted(states, key=["whole", "retired", "gone"].index)
    assert set(states) == {"whole", "retired", "gone"}


@pytest.mark.parametrize("seed", range(2))
def test_the_server_loses_power(start: Start, seed: int) -> None:
    for at in range(1, changes_of_retiring(start) + 1):
        board, disk = start()
        retired(board, FaultyStorage(disk, Fault.DIES, at, seed))
        if disk.root.exists():
            disk.lose_power(random.Random(f"{at} {seed}"))
        ends(board, disk)


def test_an_error_that_is_told_once(start: Start) -> None:
    for at in range(1, changes_of_retiring(start) + 1):
        board, disk = start()
        retired(board, FaultyStorage(disk, Fault.FAILS, at))
        ends(board, disk)


class _Full(FolderStorage):
    """Nothing can be made on it while there is a ballast."""

    def create(self, name: str) -> Sink:
        if (self.root / "ballast").exists():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().create(name)


def test_a_share_that_is_full(start: Start) -> None:
    """Not even a lock can be taken there, but for the room that the ballast keeps."""
    board, disk = start()
    (disk.root / "ballast").write_bytes(b"\0")
    shelf = board.shelf(_Full(disk.root), disk.root)
    assert remove_shelf(shelf, board.facts(), Quiet(), Stop()) == []
    assert not disk.root.exists()
