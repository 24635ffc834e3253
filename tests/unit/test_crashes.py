"""Whatever change of a capture fails, is cut short, or meets a power cut: what was done stays, and the next one works.

The share's promise, for each nth change: every capture that was reported as done can be restored byte for byte; the new
one can as well, or is not listed; and the next run makes a whole one out of what is there.
"""

from __future__ import annotations

import errno
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError, Exit
from backupctl.operations import session as session_module
from backupctl.operations.capturing import image_run
from backupctl.operations.listing import captures_of
from tests.unit.faulty_storage import Dead, Disk, Fault, FaultyStorage
from tests.unit.small_board import (
    FIRST_CARD,
    SECOND_CARD,
    SEGMENT,
    SEGMENTS,
    ZERO_SEGMENTS,
    SmallBoard,
    copied,
    empty_shelf,
)

DATA_SEGMENTS = SEGMENTS - len(ZERO_SEGMENTS)


@pytest.fixture(autouse=True)
def _small_and_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(os, "fsync", lambda _: None)  # `Disk` knows what is synced
    # A lock that a crash has torn is watched for a minute.
    monkeypatch.setattr(session_module, "_wait", lambda *_: None)


Start = Callable[[], tuple[SmallBoard, Disk]]


@pytest.fixture(params=["the very first", "the second"])
def start(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Start]:
    """Makes the same shelf again and again: an empty one, or one with a capture."""
    template = empty_shelf(tmp_path / "template")
    board = SmallBoard(tmp_path)
    if request.param == "the second":
        storage = FaultyStorage(Disk(template))
        board.capture(board.shelf(storage, template), FIRST_CARD)
    count = 0

    def make() -> tuple[SmallBoard, Disk]:
        nonlocal count
        count += 1
        folder = tmp_path / f"{count}"
        folder.mkdir()
        root = copied(template, folder / "shelf")
        return SmallBoard(folder, board.now, board.starts, dict(board.contents)), Disk(root)

    yield make


def attempt(board: SmallBoard, storage: FaultyStorage, read_back: bool = True) -> bool:
    """One capture of the second card; whether it was reported as done."""
    try:
        board.capture(board.shelf(storage, storage.disk.root), SECOND_CARD, read_back)
    except (Dead, OSError, BackupctlError):
        return False
    return True


def changes_of_a_capture(start: Start, read_back: bool = True) -> int:
    board, disk = start()
    storage = FaultyStorage(disk)
    assert attempt(board, storage, read_back)
    return storage.changes


def goes_on(board: SmallBoard, disk: Disk) -> int:
    """A run that nothing befalls; how many segments it had to write."""
    storage = FaultyStorage(disk)
    shelf = board.shelf(storage, disk.root)
    board.check(shelf, perhaps=SECOND_CARD)
    found = board.capture(shelf, SECOND_CARD)
    board.check(shelf)
    board.verify(shelf)
    return int(found["written_bytes"]) // SEGMENT


@pytest.mark.parametrize("read_back", [True, False])
def test_an_error_that_is_told_once(start: Start, read_back: bool) -> None:
    for at in range(1, changes_of_a_capture(start, read_back) + 1):
        board, disk = start()
        attempt(board, FaultyStorage(disk, Fault.FAILS, at), read_back)
        goes_on(board, disk)


def test_the_process_ends(start: Start) -> None:
    written = []
    for at in range(1, changes_of_a_capture(start) + 1):
        board, disk = start()
        assert not attempt(board, FaultyStorage(disk, Fault.DIES, at))
        written.append(goes_on(board, disk))
    # The later the end came, the more was there to be used again: at last, everything.
    assert written[0] > 0
    assert written[-1] == 0


@pytest.mark.parametrize("seed", range(2))
def test_the_server_loses_power(start: Start, seed: int) -> None:
    for at in range(1, changes_of_a_capture(start) + 2):
        board, disk = start()
        attempt(board, FaultyStorage(disk, Fault.DIES, at, seed))
        disk.lose_power(random.Random(f"{at} {seed}"))
        goes_on(board, disk)
        # What the run after the crash reported as done rests on nothing that only seemed to be there.
        disk.lose_power(random.Random(f"again {at} {seed}"))
        storage = FaultyStorage(disk)
        shelf = board.shelf(storage, disk.root)
        board.check(shelf)
        board.verify(shelf)


def test_the_process_ends_and_the_server_loses_power_a_run_later(start: Start) -> None:
    """What a run finds of one that was cut short was perhaps never synced, however well it can be read."""
    for at in range(1, changes_of_a_capture(start) + 1):
        board, disk = start()
        assert not attempt(board, FaultyStorage(disk, Fault.DIES, at))
        goes_on(board, disk)
        disk.lose_power(random.Random(at))
        storage = FaultyStorage(disk)
        shelf = board.shelf(storage, disk.root)
        board.check(shelf)
        board.verify(shelf)


def test_reading_fails_once(start: Start) -> None:
    board, disk = start()
    counting = FaultyStorage(disk)
    assert attempt(board, counting)
    for at in range(1, counting.reads + 1):
        board, disk = start()
        storage = FaultyStorage(disk, Fault.UNREADABLE, at)
        shelf = board.shelf(FaultyStorage(disk), disk.root)
        try:
            board.capture(replace(shelf, storage=storage), SECOND_CARD)
        except BackupctlError as error:
            assert os.strerror(errno.EIO) in error.cause
        goes_on(board, disk)


def test_a_share_that_is_full_until_somebody_makes_room(start: Start) -> None:
    changes = changes_of_a_capture(start)
    refused = 0
    for at in range(1, changes + 1):
        board, disk = start()
        storage = FaultyStorage(disk, Fault.FULL, at)
        shelf = board.shelf(storage, disk.root)
        try:
            board.capture(shelf, SECOND_CARD)
        except BackupctlError as error:
            refused += 1
            assert error.exit_code == Exit.FAILED
            assert "no room left on the share" in error.cause
            assert "Make room" in error.hint
            assert len(captures_of(shelf)[0].records) == len(board.contents)
        goes_on(board, disk)
    # What needs room after the commit (its event, above all) may fail, and the capture is done all the same.
    assert changes - 15 < refused < changes
