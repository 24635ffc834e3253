"""What a later run finds damaged of what the last one wrote: which captures lack something by that, and until when."""

from __future__ import annotations

import errno
import os
from collections import Counter
from pathlib import Path

import pytest

from backupctl.domain.errors import NoRoom
from backupctl.operations.capturing import image_run
from backupctl.operations.capturing import run as run_module
from backupctl.operations.capturing.confirming import confirm_parts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.session import hold
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage, Source
from tests.unit.small_board import FIRST_CARD, SECOND_CARD, SEGMENT, SmallBoard, empty_shelf


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)


@pytest.fixture
def board(tmp_path: Path) -> SmallBoard:
    return SmallBoard(tmp_path)


@pytest.fixture
def shelf(board: SmallBoard, tmp_path: Path) -> Shelf:
    path = empty_shelf(tmp_path / "share")
    return board.shelf(FolderStorage(path), path)


class WroteInTheBackground(FolderStorage):
    """A share as a client sees it whose writing in the background failed after the run had ended.

    fsync(2): the error is told by the next sync of the file; `times` is how often.
    """

    times = 1

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.told: Counter[str] = Counter()

    def sync_file(self, name: str) -> None:
        if self.told[name] < self.times:
            self.told[name] += 1
            raise OSError(errno.ENOSPC, "No space left on device")
        super().sync_file(name)


def spoil(path: Path) -> None:
    """A byte in the middle is another."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)


def parts(shelf: Shelf) -> set[Path]:
    return {path for path in (shelf.path / "stock").iterdir() if ".table." not in path.name}


def damaged(shelf: Shelf) -> dict[str, int]:
    """How many segments each damaged capture lacks."""
    return {capture: len(hashes) for capture, hashes in captures_of(shelf)[1].damaged_captures.items()}


def confirm(board: SmallBoard, shelf: Shelf) -> list[str]:
    with hold(shelf, board.facts(), Quiet(), "thinning") as session:
        return confirm_parts(session, Stop())


@pytest.mark.parametrize("table_too", [False, True])
def test_a_segment_that_the_last_run_lost(board: SmallBoard, shelf: Shelf, table_too: bool) -> None:
    first = board.capture(shelf, FIRST_CARD)["id"]
    assert confirm(board, shelf) == []
    before = parts(shelf)
    second = board.capture(shelf, SECOND_CARD)["id"]
    written = max(parts(shelf) - before, key=lambda path: path.stat().st_size)
    spoil(written)
    if table_too:
        spoil(written.with_name(written.name.replace(".zst", ".table.zst")))
    (*_, told) = confirm(board, shelf)
    lost = damaged(shelf)
    # Without a table, nothing is found behind what is spoilt.
    assert lost == {second: 3 if table_too else 1}
    assert told.startswith(f"capture {second} lacks {lost[second]} segment")
    # A card that holds the segment no more does not make it whole, and one that does does.
    board.capture(shelf, FIRST_CARD)
    assert damaged(shelf) == lost
    board.capture(shelf, SECOND_CARD)
    assert damaged(shelf) == {}
    board.verify(shelf)
    assert first in board.contents


def test_nothing_is_lost_by_what_an_unfinished_run_left(
    board: SmallBoard, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    board.capture(shelf, FIRST_CARD)
    before = parts(shelf)
    with monkeypatch.context() as patch:
        patch.setattr(run_module, "commit", lambda *_: pytest.fail("stopped before the commit"))
        with pytest.raises(pytest.fail.Exception):
            board.capture(shelf, SECOND_CARD)
    for part in parts(shelf) - before:
        spoil(part)
    assert confirm(board, shelf)
    assert damaged(shelf) == {}
    board.verify(shelf)


def as_seen(board: SmallBoard, shelf: Shelf, storage: type[WroteInTheBackground]) -> Shelf:
    """The same shelf, as another client sees it."""
    return board.shelf(storage(shelf.path), shelf.path)


@pytest.fixture
def written(board: SmallBoard, shelf: Shelf) -> str:
    """A capture that nobody has looked at since."""
    return str(board.capture(shelf, FIRST_CARD)["id"])


@pytest.mark.usefixtures("written")
def test_the_next_run_goes_on_when_it_is_told_that_the_last_one_had_no_room(board: SmallBoard, shelf: Shelf) -> None:
    last = parts(shelf)
    storage = WroteInTheBackground(shelf.path)
    board.capture(board.shelf(storage, shelf.path), SECOND_CARD)
    assert {f"stock/{part.name}" for part in last} <= storage.told.keys()
    board.verify(shelf)


class NeverArrived(WroteInTheBackground):
    """And the server has nothing of what the client still shows, until that forgets it."""

    def open(self, name: str, past_cache: bool = False) -> Source:
        if past_cache and self.told.pop(name, 0):
            os.truncate(self.root / name, 0)
        return super().open(name, past_cache)


def test_what_never_arrived_is_not_believed_of_the_cache(board: SmallBoard, shelf: Shelf, written: str) -> None:
    told = confirm(board, as_seen(board, shelf, NeverArrived))
    assert any(written in words and "lacks" in words for words in told)
    assert damaged(shelf).keys() == {written}
    # The card still has it all.
    board.capture(shelf, FIRST_CARD)
    assert damaged(shelf) == {}
    board.verify(shelf)


@pytest.mark.usefixtures("written")
def test_a_table_that_never_arrived_is_made_anew(board: SmallBoard, shelf: Shelf) -> None:
    class Tables(NeverArrived):
        def sync_file(self, name: str) -> None:
            if ".table." in name:
                super().sync_file(name)

    told = confirm(board, as_seen(board, shelf, Tables))
    assert [words for words in told if "is made anew" in words] == told
    assert len(told) == 1
    assert damaged(shelf) == {}
    board.verify(shelf)


@pytest.mark.usefixtures("written")
def test_a_share_that_goes_on_failing_to_sync_what_the_last_run_wrote(board: SmallBoard, shelf: Shelf) -> None:
    class Twice(WroteInTheBackground):
        times = 2

    with pytest.raises(NoRoom):
        board.capture(as_seen(board, shelf, Twice), SECOND_CARD)
    board.verify(shelf)
