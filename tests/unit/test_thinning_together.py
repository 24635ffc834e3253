"""Several computers on one shelf: what one removes, no other has to miss; also where one stood still for too long."""

from __future__ import annotations

import random
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError, Busy, NotFound
from backupctl.operations import session as session_module
from backupctl.operations.capturing import image_run
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.share import ballast as ballast_module
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import SEGMENT, SEGMENTS, SmallBoard
from tests.unit.thinned_board import card_of_night, check_restores, five_nights, thin_once

REMOVALS = 10  # three records, two parts with their tables, three contents


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    monkeypatch.setattr(ballast_module, "_BYTES", 512)


class Watched(FolderStorage):
    """Calls `before(old, new)` before each rename."""

    def __init__(self, root: Path, before: Callable[[str, str], None]) -> None:
        super().__init__(root)
        self._before = before
        self.log: list[str] = []

    def rename(self, old: str, new: str) -> None:
        self._before(old, new)
        self.log.append(old)
        super().rename(old, new)

    def sync_folder(self, name: str) -> None:
        self.log.append(f"sync {name}")
        super().sync_folder(name)


def test_the_order_of_removal(tmp_path: Path) -> None:
    """Records, synced, before any part; each part before its table; all of them before what the captures had."""
    board, path = five_nights(tmp_path)
    storage = Watched(path, lambda *_: None)
    thin_once(board, board.shelf(storage, path))
    removed = [name for name in storage.log if name.startswith(("captures/", "stock/"))]
    kinds = ["record" if "record.json" in name else name.split("/")[0] for name in removed]
    assert kinds == ["record"] * 3 + ["stock"] * 4 + ["captures"] * 3
    first_part = storage.log.index(removed[3])
    for record in removed[:3]:
        assert storage.log.index(record) < storage.log.index(f"sync {record.rpartition('/')[0]}") < first_part
    parts = removed[3:7]
    assert [name.replace(".table", "") for name in parts] == [parts[0], parts[0], parts[2], parts[2]]
    assert [".table" in name for name in parts] == [False, True, False, True]


def copied(template: SmallBoard, path: Path, folder: Path) -> tuple[SmallBoard, Path]:
    shutil.copytree(path, folder / "shelf")
    return SmallBoard(folder, template.now, template.starts, dict(template.contents)), folder / "shelf"


def late_thinning(board: SmallBoard, path: Path, at: int) -> tuple[bool, list[str]]:
    """A thinning stands still before its nth removal; whether it was told so, and what another run took meanwhile."""
    taken: list[str] = []
    left = [at]

    def stand_still(_: str, new: str) -> None:
        if new.startswith("trash/"):
            left[0] -= 1
            if left[0] == 0:
                taken.append(board.capture(board.shelf(FolderStorage(path), path), card_of_night(2))["id"])

    try:
        thin_once(board, board.shelf(Watched(path, stand_still), path))
    except Busy:
        return True, taken
    return False, taken


def test_a_thinning_that_stands_still_before_any_of_its_renames(tmp_path: Path) -> None:
    """It has looked at the lock; before it goes on, another run takes over, and refers to what it wants to remove."""
    (tmp_path / "template").mkdir()
    template, template_path = five_nights(tmp_path / "template")
    for at in range(1, REMOVALS + 1):
        board, path = copied(template, template_path, tmp_path / f"{at}")
        was_late, taken = late_thinning(board, path, at)
        assert (was_late, len(taken)) == (True, 1)
        plain = board.shelf(FolderStorage(path), path)
        assert check_restores(board, plain)[-1:] == taken
        thin_once(board, plain, tidy=True)
        assert check_restores(board, plain)[-1:] == taken
    assert late_thinning(*copied(template, template_path, tmp_path / "none"), at=REMOVALS + 1) == (False, [])


class Computer(SmallBoard):
    """One of several that are up all the time."""

    def __init__(self, folder: Path, number: int) -> None:
        folder.mkdir()
        super().__init__(folder)
        self._number = number

    def facts(self) -> Facts:
        return replace(super().facts(), machine=f"{self._number}" * 32, boot="the same")


def busy_card(turn: int) -> bytes:
    """A card on which a third of everything is other than at any time before."""
    return b"".join(
        random.Random(f"{n} {turn if n % 3 == turn % 3 else 0}").randbytes(SEGMENT) for n in range(SEGMENTS)
    )


@pytest.mark.parametrize("patience", [None, 0.01])
def test_computers_that_capture_thin_and_restore_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, patience: float | None
) -> None:
    """Every capture that is listed can be restored, at any time, whatever the others do.

    `patience`: so long, and not for ten seconds, they wait for a lock to beat: they take over from each other all the
    time, and every run may turn out to be late. None: a run that finds the lock taken gives up.
    """

    def wait(*_: object) -> None:
        if patience is None:
            raise Busy("another run is at work")
        time.sleep(patience)

    monkeypatch.setattr(session_module, "_wait", wait)
    first, path = five_nights(tmp_path)
    contents: dict[str, bytes] = dict(first.contents)
    computers = [Computer(tmp_path / f"computer {number}", number) for number in range(4)]
    began = time.monotonic()
    wrong: list[str] = []
    done = dict.fromkeys(("capture", "thin", "restore", "late"), 0)

    def shelf_of(computer: Computer) -> Shelf:
        return computer.shelf(FolderStorage(path), path)

    def goes_on() -> bool:
        """Long enough for each of them, also on a machine that is busy with other things."""
        most = 6 if min(done["capture"], done["thin"], done["restore"]) > 2 else 120
        return time.monotonic() - began < most and not wrong

    def run(computer: Computer, name: str, work: Callable[[Computer, Shelf, int], None]) -> None:
        turn = 0
        while goes_on():
            turn += 1
            try:
                work(computer, shelf_of(computer), turn)
                done[name] += 1
            except NotFound:
                pass  # removed since it was listed
            except Busy:
                done["late"] += 1
                time.sleep(0.01)
            except (BackupctlError, OSError, AssertionError) as error:
                # A late run meets files that others have taken away, or tables that they have made.
                if name == "restore" or patience is None or isinstance(error, AssertionError):
                    wrong.append(f"{name}: {error!r}")

    def take(computer: Computer, shelf: Shelf, turn: int) -> None:
        contents[computer.capture(shelf, busy_card(turn))["id"]] = busy_card(turn)

    def remove(computer: Computer, shelf: Shelf, turn: int) -> None:
        thin_once(computer, shelf, tidy=turn % 2 == 0, all=True)

    def restore(computer: Computer, shelf: Shelf, turn: int) -> None:
        record = random.Random(turn).choice(captures_of(shelf)[0].records)
        target = computer.folder / f"restored {turn}.img"
        restore_to_file(shelf, record.id, None, target, False, computer.facts(), Quiet(), Stop())
        found = target.read_bytes()
        target.unlink()
        # A run that was told that it came too late may have come in time, and says nothing of what it took.
        assert found == contents[record.id] if record.id in contents else found in map(busy_card, range(200))

    threads = [
        threading.Thread(target=run, args=(computer, name, work))
        for computer, (name, work) in zip(
            computers, [("capture", take), ("thin", remove), ("restore", restore), ("restore", restore)], strict=True
        )
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert min(done["capture"], done["thin"], done["restore"]) > 2, done
    shelf = shelf_of(computers[2])
    for turn in range(len(captures_of(shelf)[0].records)):
        restore(computers[2], shelf, turn)
