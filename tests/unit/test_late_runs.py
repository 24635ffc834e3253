"""A run that stood still, and whose lock was taken over meanwhile, commits nothing that counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.errors import Busy
from backupctl.operations.capturing import image_run
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet
from backupctl.operations.session import hold
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import FIRST_CARD, SECOND_CARD, SEGMENT, SmallBoard, empty_shelf


class StandsStill(FolderStorage):
    """A client that stands still before the change that makes `name`, and for so long that `meanwhile` can happen."""

    def __init__(self, root: Path, name: str, meanwhile: Callable[[], None], after: bool) -> None:
        super().__init__(root)
        self._name = name
        self._meanwhile = meanwhile
        self._after = after

    def rename(self, old: str, new: str) -> None:
        here = new.endswith(self._name)
        if here and not self._after:
            self._meanwhile()
        super().rename(old, new)
        if here and self._after:
            self._meanwhile()

    def make_folder(self, name: str) -> None:
        if name.startswith(self._name):
            self._meanwhile()
        super().make_folder(name)


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallBoard:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    return SmallBoard(tmp_path)


def late_capture(board: SmallBoard, name: str, after: bool = False) -> tuple[Shelf, str]:
    """A first capture; a second that stands still at `name` while another run holds the shelf; what it is told."""
    path = empty_shelf(board.folder / "share")
    shelf = board.shelf(FolderStorage(path), path)
    board.capture(shelf, FIRST_CARD)

    def take_over() -> None:
        with hold(shelf, board.facts(), Quiet(), "capture"):
            pass

    late = replace(shelf, storage=StandsStill(path, name, take_over, after))
    with pytest.raises(Busy, match="taken over") as told:
        board.capture(late, SECOND_CARD)
    return shelf, told.value.hint


def test_it_is_refused_before_the_record(board: SmallBoard) -> None:
    shelf, hint = late_capture(board, "captures/")
    assert "Nothing of this run counts" in hint
    board.check(shelf)
    assert board.capture(shelf, SECOND_CARD)["written_bytes"] < SEGMENT  # its segments are there
    board.check(shelf)


def test_one_that_slips_through_does_not_count(board: SmallBoard) -> None:
    """The lock was looked at, and then it stood still: its record is there, after the other's list of what counts."""
    shelf, hint = late_capture(board, "/record.json")
    assert "backupctl list" in hint
    captures, _ = captures_of(shelf)
    assert [record.id for record in captures.records] == list(board.contents)
    assert [cause for _, cause in captures.problems] == [
        "it was written by a run whose lock had been taken over, and does not count"
    ]


def test_one_that_had_committed_by_then_counts(board: SmallBoard) -> None:
    shelf, hint = late_capture(board, "/record.json", after=True)
    assert "backupctl list" in hint
    assert len(board.check(shelf, perhaps=SECOND_CARD)) == 2
