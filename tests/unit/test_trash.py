"""Trays: what moves in, how long it stays, and that a run whose lock was taken over moves nothing any more."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.domain.errors import Busy
from backupctl.share.lock import Lock, acquire
from backupctl.share.parts import list_parts, part_name
from backupctl.share.server_clock import server_time
from backupctl.share.storage import FolderStorage
from backupctl.share.tables import Row, read_table, table_name
from backupctl.share.trash import (
    Grace,
    Tray,
    bring_back,
    close_open_trays,
    empty,
    find,
    parts_holding,
    stray_tables,
)
from tests.unit.small_board import FIRST_CARD, SmallBoard, empty_shelf
from tests.unit.test_lock import NEVER, claim, left_by_a_dead_run

PART = "0123456789abcdef0123"
NAME, TABLE = f"stock/{PART}.zst", f"stock/{PART}.table.zst"
DAY = 86_400


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "stock").mkdir()
    (tmp_path / NAME).write_bytes(b"part")
    (tmp_path / TABLE).write_bytes(b"table")
    return tmp_path


def new_lock(shelf: Path) -> Lock:
    return acquire(FolderStorage(shelf), claim(boot="later"), beat_seconds=NEVER)


def emptied(shelf: Path, lock: Lock, grace: Grace) -> int:
    storage = FolderStorage(shelf)
    return empty(storage, lock, server_time(storage), grace)


def remove_part(shelf: Path, lock: Lock) -> None:
    with Tray(FolderStorage(shelf), lock) as tray:
        tray.take(NAME)
        tray.take(TABLE)


def in_stock(shelf: Path) -> list[str]:
    return sorted(path.name for path in (shelf / "stock").iterdir())


def files_in_trash(shelf: Path) -> list[str]:
    return sorted(path.name for path in (shelf / "trash").rglob("*") if path.is_file())


def test_what_is_removed_can_be_found_and_brought_back(shelf: Path) -> None:
    storage = FolderStorage(shelf)
    remove_part(shelf, new_lock(shelf))
    assert in_stock(shelf) == []
    assert files_in_trash(shelf) == [f"{PART}.table.zst", f"{PART}.zst", "tray.json"]
    place = find(storage, NAME)
    assert place is not None
    assert (shelf / place).read_bytes() == b"part"
    bring_back(storage, PART)
    assert in_stock(shelf) == [f"{PART}.table.zst", f"{PART}.zst"]
    assert (shelf / NAME).read_bytes() == b"part"
    assert find(storage, NAME) is None


def test_files_of_a_capture_say_whose_they_were(shelf: Path) -> None:
    capture = "20261201T010001Z-image-0a1b2c"
    (shelf / f"captures/{capture}").mkdir(parents=True)
    (shelf / f"captures/{capture}/record.json").write_text("{}")
    with Tray(FolderStorage(shelf), new_lock(shelf)) as tray:
        tray.take(f"captures/{capture}/record.json")
    assert files_in_trash(shelf) == [f"{capture}.record.json", "tray.json"]


@pytest.mark.parametrize(("days", "runs", "goes"), [(0.9, 5, False), (1.1, 1, False), (1.1, 2, True)])
def test_trash_is_emptied_a_day_and_two_runs_later(shelf: Path, days: float, runs: int, goes: bool) -> None:
    first = new_lock(shelf)
    remove_part(shelf, first)
    first.release()
    for _ in range(runs):
        lock = new_lock(shelf)
        lock.release()
    (closed,) = (shelf / "trash").glob("*/tray.json")
    os.utime(closed, (server_time(FolderStorage(shelf)) - days * DAY,) * 2)
    assert emptied(shelf, lock, Grace()) == (9 if goes else 0)
    assert list((shelf / "trash").iterdir()) == ([] if goes else [closed.parent])


def test_an_open_tray_is_never_emptied(shelf: Path) -> None:
    """Its run may have been cut short before it was known what goes."""
    lock = new_lock(shelf)
    tray = Tray(FolderStorage(shelf), lock)
    tray.take(NAME)
    assert emptied(shelf, lock, Grace(0, 0)) == 0
    assert files_in_trash(shelf) == [f"{PART}.zst"]


def test_a_tray_left_open_is_closed_and_a_half_removed_part_removed(shelf: Path) -> None:
    storage = FolderStorage(shelf)
    dead = left_by_a_dead_run(storage)
    Tray(storage, dead).take(NAME)
    assert in_stock(shelf) == [f"{PART}.table.zst"]
    assert stray_tables(storage) == set()  # no damage: its part is in the trash
    lock = new_lock(shelf)
    close_open_trays(storage, lock)
    assert in_stock(shelf) == []
    assert files_in_trash(shelf) == [f"{PART}.table.zst", f"{PART}.zst", "tray.json"]
    assert [path.name[:10] for path in (shelf / "trash").iterdir()] == [f"{lock.generation:010}"]


class StandsStill(FolderStorage):
    """A client that stands still before a rename, long enough for `meanwhile`."""

    def __init__(self, root: Path, meanwhile: Callable[[], None]) -> None:
        super().__init__(root)
        self._meanwhile = meanwhile

    def rename(self, old: str, new: str) -> None:
        self._meanwhile()
        super().rename(old, new)


def test_a_run_that_wakes_up_late_removes_nothing(shelf: Path) -> None:
    """It looked at the lock, and stood still before the rename; by then another run relies on the part."""
    storage = FolderStorage(shelf)
    late = left_by_a_dead_run(storage)

    def take_over() -> None:
        close_open_trays(storage, new_lock(shelf))

    with pytest.raises(Busy, match="taken over"):
        Tray(StandsStill(shelf, take_over), late).take(NAME)
    assert in_stock(shelf) == [f"{PART}.table.zst", f"{PART}.zst"]


def test_a_run_that_is_late_with_its_tray_removes_nothing(shelf: Path) -> None:
    storage = FolderStorage(shelf)
    late = left_by_a_dead_run(storage)
    close_open_trays(storage, new_lock(shelf))
    with pytest.raises(Busy, match="taken over"):
        Tray(storage, late).take(NAME)
    assert in_stock(shelf) == [f"{PART}.table.zst", f"{PART}.zst"]


def test_a_folder_that_the_server_keeps_in_a_tray_stops_nobody(shelf: Path) -> None:
    storage = FolderStorage(shelf)
    Tray(storage, left_by_a_dead_run(storage)).take(NAME)
    (tray,) = (shelf / "trash").iterdir()
    (tray / "@index").mkdir()
    lock = new_lock(shelf)
    close_open_trays(storage, lock)
    close_open_trays(storage, lock)
    assert files_in_trash(shelf) == [f"{PART}.table.zst", f"{PART}.zst", "tray.json"]
    assert emptied(shelf, lock, Grace(0, 0)) == 9
    assert files_in_trash(shelf) == []


def test_somebody_who_has_a_removed_file_open_reads_on(shelf: Path) -> None:
    storage = FolderStorage(shelf)
    with storage.open(NAME) as source:
        lock = new_lock(shelf)
        remove_part(shelf, lock)
        emptied(shelf, lock, Grace(0, 0))
        assert source.read_at(0, 4) == b"part"


@pytest.mark.parametrize("torn", [False, True])
def test_parts_that_hold_a_segment_are_found(tmp_path: Path, torn: bool) -> None:
    """One whose table cannot be read may hold anything."""
    board = SmallBoard(tmp_path)
    path = empty_shelf(tmp_path / "share")
    shelf = board.shelf(FolderStorage(path), path)
    board.capture(shelf, FIRST_CARD)
    ((part,), _) = list_parts(shelf.storage)
    hashes = [row.hash for row in read_table(shelf.storage, shelf.mark, part) if isinstance(row, Row)]
    if torn:
        (path / table_name(part)).write_bytes((path / table_name(part)).read_bytes()[:-5])
    with Tray(shelf.storage, new_lock(path)) as tray:
        tray.take(part_name(part))
        tray.take(table_name(part))
    assert parts_holding(shelf.storage, shelf.mark, lambda _, hash: hash == hashes[-1]) == [part]
    assert parts_holding(shelf.storage, shelf.mark, lambda *_: False) == ([part] if torn else [])
