"""What a survey does not know, it says; and what somebody may need although it looks dead, it keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from backupctl.operations.keeping.survey import Survey, survey
from backupctl.share.captures import Captures
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from tests.small_stock import SmallStock, capture_name, part_of

OLD, NEW = capture_name(1), capture_name(2)
FIRST, SECOND = part_of(1), part_of(2)


@pytest.fixture
def stock(tmp_path: Path) -> SmallStock:
    made = SmallStock(tmp_path)
    made.add_part(FIRST, [1, 2, 3], confirmed=5)
    made.add_part(SECOND, [4, 5])
    made.add_capture(OLD, [1, 2, 3])
    made.add_capture(NEW, [1, 2, 4])
    return made


def look(stock: SmallStock, extra: tuple[str, ...] = (), notes: list[str] | None = None) -> Survey:
    found = survey(stock.shelf, stock.history, Captures((), ()), (notes if notes is not None else []).append, extra)
    found.spans.index.close()
    return found


def test_contents_that_cannot_be_read_are_named(stock: SmallStock) -> None:
    stock.cut_contents(OLD)
    (cause,) = look(stock).unreadable
    assert cause[0] == OLD
    assert "truncated" in cause[1]


def test_contents_that_are_missing_are_named(stock: SmallStock) -> None:
    (stock.folder / "captures" / OLD / "contents.0.tsv.zst").unlink()
    assert [capture for capture, _ in look(stock).unreadable] == [OLD]


def test_a_capture_of_a_newer_version_may_need_more_than_its_contents_say(stock: SmallStock) -> None:
    record = {"format": 2, "features": {"required": [], "readers": []}}
    (stock.folder / "captures" / OLD / "record.json").write_text(json.dumps(record))
    found = look(stock)
    assert [capture for capture, _ in found.unreadable] == [OLD]
    assert found.parts()[FIRST].live_segments == 3


def test_contents_of_further_streams_are_needed(stock: SmallStock) -> None:
    old, new = (stock.folder / "captures" / name for name in (OLD, NEW))
    (new / "contents.1.tsv.zst").write_bytes((old / "contents.0.tsv.zst").read_bytes())
    assert [capture for capture, _ in look(stock).unreadable] == [NEW], "its header says stream 0 of another capture"


def test_a_folder_without_a_record_needs_nothing_unless_somebody_reads_it(stock: SmallStock) -> None:
    (stock.folder / "captures" / OLD / "record.json").unlink()
    assert look(stock).parts()[FIRST].live_segments == 2
    assert look(stock, extra=(OLD,)).parts()[FIRST].live_segments == 3
    assert look(stock, extra=(OLD, capture_name(9))).unreadable == (), "of a capture that has gone, nothing is left"


def test_a_part_without_a_table_may_hold_what_was_found_nowhere(stock: SmallStock) -> None:
    """Its first frame is damaged, so nobody can say what stands behind it."""
    stock.lose_table(FIRST)
    path = stock.folder / "stock" / f"{FIRST}.zst"
    path.write_bytes(path.read_bytes()[:512] + bytes(100) + path.read_bytes()[612:])
    notes: list[str] = []
    found = look(stock, notes=notes)
    assert found.parts()[FIRST].needed
    assert "searched" in notes[0]
    assert not found.without([OLD, NEW])[FIRST].needed


def test_what_stands_in_an_unconfirmed_part_does_not_push_out_the_confirmed_copy(stock: SmallStock) -> None:
    newest = part_of(3)
    stock.add_part(newest, [1, 2, 3])
    uses = look(stock).parts()
    assert (uses[FIRST].live_segments, uses[newest].live_segments) == (3, 0)
    stock.lose_table(FIRST)
    uses = look(stock).parts()
    assert (uses[FIRST].live_segments, uses[newest].live_segments) == (3, 0)
    stock.history.confirmed_parts[newest] = 6
    uses = look(stock).parts()
    assert (uses[FIRST].live_segments, uses[newest].live_segments) == (0, 3)


def test_the_only_copy_counts_even_if_it_is_damaged(stock: SmallStock) -> None:
    """A disk or a network may have had a bad night: verification looks again, and takes back what can be read."""
    stock.damage_copy(FIRST, 3)
    assert look(stock).parts()[FIRST].live_segments == 3
    healed = part_of(3)
    stock.add_part(healed, [3])
    uses = look(stock).parts()
    assert (uses[FIRST].live_segments, uses[healed].live_segments) == (2, 1)


def test_an_error_of_the_share_is_not_taken_for_damage(stock: SmallStock) -> None:
    class Gone(FolderStorage):
        def names(self, folder: str) -> list[str]:
            if folder == f"captures/{NEW}":
                raise OSError(112, "Host is down")
            return super().names(folder)

    shelf = Shelf(Gone(stock.folder), stock.shelf.mark, stock.folder)
    with pytest.raises(OSError, match="Host is down"):
        survey(shelf, stock.history, Captures((), ()), lambda text: None)
