"""What a thinning removes, what it spares, and what it says."""

from __future__ import annotations

import errno
import os
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain import freed
from backupctl.domain.errors import Exit, NoRoom, NotFound, Refused
from backupctl.domain.record import Guard
from backupctl.operations.capturing import image_run
from backupctl.operations.capturing import run as run_module
from backupctl.operations.exit_codes import of_thinning
from backupctl.operations.facts import Facts
from backupctl.operations.keeping import removal as removal_module
from backupctl.operations.keeping.guards import guard, unguard
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.restoring.restore import left_alone
from backupctl.operations.restoring.stitching import SegmentReader, stream_of
from backupctl.operations.session import hold
from backupctl.share.manifest import read_manifest
from backupctl.share.readers import reading
from backupctl.share.shelf import Shelf
from backupctl.share.storage import Bytes, FolderStorage, Sink
from backupctl.share.trash import AT_ONCE
from tests.unit.small_board import SEGMENT, SmallBoard
from tests.unit.thinned_board import (
    NEWEST_TWO,
    card_of_night,
    check_restores,
    discard_by_hand,
    five_nights,
    other_files,
    segments_by_part,
    thin_once,
)

PARTS = [1, 2, 2, 3, 4, 20]  # segments of each, to begin with: by hand from `NIGHTS`


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> SmallBoard:
    folder = tmp_path_factory.mktemp("template")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
        return five_nights(folder)[0]


@pytest.fixture
def board(template: SmallBoard, tmp_path: Path) -> SmallBoard:
    shutil.copytree(template.folder / "share", tmp_path / "share")
    return SmallBoard(tmp_path, template.now, template.starts, dict(template.contents))


@pytest.fixture
def shelf(board: SmallBoard) -> Shelf:
    path = board.folder / "share/boards/greenhouse"
    return board.shelf(FolderStorage(path), path)


def sizes(shelf: Shelf) -> list[int]:
    """How many segments each part has."""
    return sorted(len(part) for part in segments_by_part(shelf))


def grow_old(shelf: Shelf) -> None:
    """All that stands on the shelf was written three days ago, by the server's clock."""
    for path in shelf.path.rglob("*"):
        when = path.stat().st_mtime - 3 * 86_400
        os.utime(path, (when, when))


def elsewhere(board: SmallBoard) -> Facts:
    """Another machine, of which this one cannot know what still runs there."""
    return replace(board.facts(), machine="1" * 32)


def test_what_the_policy_does_not_want_goes(board: SmallBoard, shelf: Shelf) -> None:
    assert sizes(shelf) == PARTS
    ids = list(board.contents)
    done = thin_once(board, shelf)
    assert [(item["id"], item["action"]) for item in done["captures"]] == [
        *((id, "goes") for id in ids[:3]), *((id, "stays") for id in ids[3:])
    ]  # fmt: skip
    assert done["removed"] == ids[:3]
    assert check_restores(board, shelf) == ids[3:]
    # Of the third night, only segment 7 is needed yet: it was written once more, beside the old part.
    assert sizes(shelf) == [1, 1, 3, 4, 20]
    assert done["rewritten_parts"]
    assert done["trashed_bytes"] > 4 * SEGMENT
    assert done["freed_bytes"] == 0


def test_it_stands_in_the_manifest(board: SmallBoard, shelf: Shelf) -> None:
    ids = list(board.contents)
    thin_once(board, shelf)
    told = {event.kind: event.body for event in read_manifest(shelf.storage).events}
    assert told["thinning"]["captures"] == ids[:3]
    assert told["thinning"]["by"] == "policy"
    assert set(told["thinning"]["reasons"]) == set(ids[:3])
    assert told["thinned"]["captures"] == ids[:3]


def test_a_second_thinning_does_nothing(board: SmallBoard, shelf: Shelf) -> None:
    thin_once(board, shelf)
    before = other_files(shelf.path), segments_by_part(shelf)
    done = thin_once(board, shelf)
    assert (done["removed"], done["trashed_bytes"], done["rewritten_parts"]) == ([], 0, [])
    assert (other_files(shelf.path), segments_by_part(shelf)) == before


def test_the_trash_is_emptied_a_day_and_two_runs_later(board: SmallBoard, shelf: Shelf) -> None:
    trashed = thin_once(board, shelf)["trashed_bytes"]
    grow_old(shelf)
    assert thin_once(board, shelf)["expected_bytes"] == 0
    grow_old(shelf)
    assert thin_once(board, shelf)["expected_bytes"] == trashed
    assert not any("trash" in name for name in other_files(shelf.path))


def test_what_was_rewritten_goes_once_it_is_confirmed(board: SmallBoard, shelf: Shelf) -> None:
    thin_once(board, shelf)
    grow_old(shelf)
    board.capture(shelf, card_of_night(4))  # which hashes what was moved
    done = thin_once(board, shelf)
    assert sizes(shelf) == [1, 1, 4, 20]
    assert done["rewritten_parts"] == []
    check_restores(board, shelf)


def test_tidying_does_all_at_once(board: SmallBoard, shelf: Shelf) -> None:
    done = thin_once(board, shelf, tidy=True)
    assert sizes(shelf) == [1, 1, 4, 20]
    assert not any("trash" in name for name in other_files(shelf.path))
    assert done["expected_bytes"] == done["trashed_bytes"]
    assert done["in_trash_bytes"] == 0
    check_restores(board, shelf)


def test_tidying_asks_also_where_nothing_goes_by_the_policy(board: SmallBoard, shelf: Shelf) -> None:
    trashed = thin_once(board, shelf)["in_trash_bytes"]
    with pytest.raises(Refused, match="yes was not typed"):
        thin(shelf, ThinOptions(NEWEST_TWO, str, tidy=True), board.facts(), Quiet(), Stop())
    left = [path for path in (shelf.path / "trash").rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in left) == trashed > 0


def test_an_interrupted_runs_part_stays_for_two_days(board: SmallBoard, shelf: Shelf) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run_module, "commit", lambda *_: pytest.fail("stopped before the commit"))
        with pytest.raises(pytest.fail.Exception):
            board.capture(shelf, bytes(reversed(card_of_night(4))))
    board.capture(shelf, card_of_night(4))  # hashes what was left
    thin_once(board, shelf)
    assert 19 in sizes(shelf)
    grow_old(shelf)
    thin_once(board, shelf)
    assert 19 not in sizes(shelf)
    check_restores(board, shelf)


def test_a_capture_that_was_never_finished_is_tidied_away(board: SmallBoard, shelf: Shelf) -> None:
    folder = shelf.path / "captures/20261205T010000Z-image-000000"
    folder.mkdir()
    (folder / "contents.0.tsv.zst").write_bytes(b"cut short")
    (folder / "record.new").write_bytes(b"{")
    thin_once(board, shelf)
    assert not folder.exists()


def test_files_of_others_are_left_alone(board: SmallBoard, shelf: Shelf) -> None:
    id = next(iter(board.contents))
    (shelf.path / f"captures/{id}/notes.txt").write_text("not ours")
    done = thin_once(board, shelf)
    assert sorted(os.listdir(shelf.path / f"captures/{id}")) == ["notes.txt"]  # noqa: PTH208
    assert any("not of this program" in text for text in done["waits"])


def test_old_small_files_that_never_got_their_names(board: SmallBoard, shelf: Shelf) -> None:
    names = ("manifest/0000000001-00000000.new", "shelf.json.new", "probe/0123456789abcdef")
    for name in names:
        (shelf.path / name).write_text("{")
    thin_once(board, shelf)
    assert all((shelf.path / name).exists() for name in names)
    grow_old(shelf)
    thin_once(board, shelf)
    assert not any((shelf.path / name).exists() for name in names)


def test_what_one_reads_stays(board: SmallBoard, shelf: Shelf) -> None:
    """The capture is gone for everybody else; whoever had begun to restore it can go on to the end."""
    ids = list(board.contents)
    captures, _ = captures_of(shelf)
    with left_alone(shelf, captures.records[1], elsewhere(board)):
        thin_once(board, shelf)
        assert captures_of(shelf)[0].records[0].id == ids[3]
        assert (shelf.path / f"captures/{ids[1]}/contents.0.tsv.zst").exists()
        assert not (shelf.path / f"captures/{ids[0]}").exists()
        assert 2 in sizes(shelf)  # its changes
    thin_once(board, shelf)
    assert not (shelf.path / f"captures/{ids[1]}").exists()


def test_while_somebody_reads_all_no_part_goes(board: SmallBoard, shelf: Shelf) -> None:
    before = segments_by_part(shelf)
    with reading(shelf.storage, elsewhere(board).claim("verification"), None):
        done = thin_once(board, shelf)
        assert all(part in segments_by_part(shelf) for part in before)
        assert any("verification" in text for text in done["waits"])
    thin_once(board, shelf)
    assert not all(part in segments_by_part(shelf) for part in before)


def test_a_restore_of_what_has_just_been_removed(board: SmallBoard, shelf: Shelf) -> None:
    captures, _ = captures_of(shelf)
    thin_once(board, shelf)
    with pytest.raises(NotFound, match="has just been removed"), left_alone(shelf, captures.records[0], board.facts()):
        pytest.fail("it is not there any more")


def test_while_contents_cannot_be_read_no_part_goes(board: SmallBoard, shelf: Shelf) -> None:
    newest = list(board.contents)[-1]
    contents = shelf.path / f"captures/{newest}/contents.0.tsv.zst"
    whole = contents.read_bytes()
    before = segments_by_part(shelf)
    contents.write_bytes(whole[:-9])
    done = thin_once(board, shelf)
    assert len(done["removed"]) == 3
    assert segments_by_part(shelf) == before
    assert any(f"the contents of {newest} cannot be read" in text for text in done["problems"])
    contents.write_bytes(whole)
    thin_once(board, shelf, tidy=True)
    assert sizes(shelf) == [1, 1, 4, 20]
    check_restores(board, shelf)


def test_a_record_that_got_lost_holds_its_parts(board: SmallBoard, shelf: Shelf) -> None:
    id = list(board.contents)[1]
    (shelf.path / f"captures/{id}/record.json").rename(board.folder / "kept elsewhere")
    before = segments_by_part(shelf)
    done = thin_once(board, shelf)
    assert segments_by_part(shelf) == before
    assert any(f"the record of {id} has gone" in text for text in done["problems"])
    assert discard_by_hand(board, shelf, id)["removed"] == [id]
    thin_once(board, shelf, tidy=True)
    assert sizes(shelf) == [1, 1, 4, 20]


def test_a_last_intact_copy_is_brought_back(board: SmallBoard, shelf: Shelf) -> None:
    """Segment 7 stands in a part that was rewritten and removed; then the new copy turns out to be damaged."""
    thin_once(board, shelf)
    grow_old(shelf)
    board.capture(shelf, card_of_night(4))
    thin_once(board, shelf)
    assert sizes(shelf) == [1, 1, 4, 20]
    moved = next(event for event in read_manifest(shelf.storage).events if event.kind == "tidied").body["into"][0]
    path = shelf.path / f"stock/{moved}.zst"
    torn = bytearray(path.read_bytes())
    torn[700] ^= 0x40
    path.write_bytes(torn)
    found = verify(shelf, VerifyOptions(), board.facts(), Quiet(), Stop())
    assert found["damaged_segments"] == 1
    assert not found["damaged_captures"]  # the other copy is back
    assert sizes(shelf) == [1, 1, 3, 4, 20]
    check_restores(board, shelf)


def test_a_capture_that_does_not_count_goes(board: SmallBoard, shelf: Shelf) -> None:
    """Its run had been taken over before it was committed; it would be told of for ever."""
    late = captures_of(shelf)[0].records[-1]
    with hold(shelf, board.facts(), Quiet(), "thinning") as session:
        session.event("took-over", {"lock": late.lock, "from": "greenhouse", "captures": []})
    assert len(captures_of(shelf)[0].problems) == 1
    thin_once(board, shelf)
    assert not captures_of(shelf)[0].problems
    assert not (shelf.path / f"captures/{late.id}").exists()


class Typed(Quiet):
    """Somebody who answers."""

    def __init__(self, answer: str) -> None:
        self.questions: list[str] = []
        self._answer = answer

    def ask(self, question: str, expected: str) -> bool:
        self.questions.append(question)
        return self._answer == expected


def thin_asked(board: SmallBoard, shelf: Shelf, answer: str, most: int = 3) -> list[str]:
    policy = replace(NEWEST_TWO, retention=replace(NEWEST_TWO.retention, max_removals=most))
    removed: list[str] = thin(shelf, ThinOptions(policy, str), board.facts(), Typed(answer), Stop())["removed"]
    return removed


def test_it_asks(board: SmallBoard, shelf: Shelf) -> None:
    with pytest.raises(Refused, match="yes was not typed"):
        thin_asked(board, shelf, "no")
    assert len(check_restores(board, shelf)) == 5
    assert len(thin_asked(board, shelf, "yes")) == 3


def test_more_than_usual_wants_another_word(board: SmallBoard, shelf: Shelf) -> None:
    with pytest.raises(Refused, match="all was not typed"):
        thin_asked(board, shelf, "yes", most=2)
    assert len(thin_asked(board, shelf, "all", most=2)) == 3


def test_more_than_usual_under_a_timer(board: SmallBoard, shelf: Shelf) -> None:
    policy = replace(NEWEST_TWO, retention=replace(NEWEST_TWO.retention, max_removals=2))
    before = other_files(shelf.path)
    done = thin(shelf, ThinOptions(policy, str, yes=True), board.facts(), Quiet(), Stop())
    assert not done["removed"]
    assert of_thinning(done) == Exit.WARNINGS
    assert set(before) <= set(other_files(shelf.path))
    done = thin(shelf, ThinOptions(policy, str, yes=True, all=True), board.facts(), Quiet(), Stop())
    assert len(done["removed"]) == 3


def test_what_was_guarded_while_somebody_was_asked_stays(board: SmallBoard, shelf: Shelf) -> None:
    id = next(iter(board.contents))

    class Slow(Quiet):
        def ask(self, question: str, expected: str) -> bool:
            guard(shelf, id, None, Guard("just in time"), board.facts(), Quiet(), Stop())
            return True

    done = thin(shelf, ThinOptions(NEWEST_TWO, str), board.facts(), Slow(), Stop())
    assert id not in done["removed"]
    assert len(done["removed"]) == 2
    assert id in check_restores(board, shelf)


def test_what_waits_for_a_word_keeps_no_trash(board: SmallBoard, shelf: Shelf) -> None:
    discard_by_hand(board, shelf, captures_of(shelf)[0].records[0].id)
    policy = replace(NEWEST_TWO, retention=replace(NEWEST_TWO.retention, max_removals=1))
    done = thin(shelf, ThinOptions(policy, str, yes=True, grace=AT_ONCE), board.facts(), Quiet(), Stop())
    assert done["unusual"]
    assert not done["removed"]
    assert done["expected_bytes"] > 0


def test_a_held_plan_removes_nothing(board: SmallBoard, shelf: Shelf) -> None:
    before = other_files(shelf.path)
    facts = replace(board.facts(), now=lambda: board.now.replace(year=1970))
    done = thin(shelf, ThinOptions(NEWEST_TWO, str, yes=True, all=True), facts, Quiet(), Stop())
    assert "clock" in done["held"]
    assert set(before) <= set(other_files(shelf.path))


def test_a_dry_run_says_the_same_and_does_nothing(board: SmallBoard, shelf: Shelf) -> None:
    before = sorted(path for path in shelf.path.rglob("*"))
    said = thin_once(board, shelf, dry_run=True)
    assert sorted(path for path in shelf.path.rglob("*")) == before
    done = thin_once(board, shelf)
    assert said["captures"] == done["captures"]
    # Whole files only: segment 7's part is needed yet.
    trash = [path for path in (shelf.path / "trash").rglob("*.*") if path.name != "tray.json"]
    assert said["would_free_bytes"] == sum(path.stat().st_size for path in trash) > 4 * SEGMENT


def test_discarding_one_by_hand(board: SmallBoard, shelf: Shelf) -> None:
    ids = list(board.contents)
    assert discard_by_hand(board, shelf, ids[1])["removed"] == [ids[1]]
    assert check_restores(board, shelf) == [ids[0], *ids[2:]]
    told = [event.body["by"] for event in read_manifest(shelf.storage).events if event.kind == "thinning"]
    assert told == ["hand"]


def test_a_guarded_one_is_not_discarded(board: SmallBoard, shelf: Shelf) -> None:
    id = next(iter(board.contents))
    guard(shelf, id, None, Guard("before the upgrade"), board.facts(), Quiet(), Stop())
    with pytest.raises(Refused, match="is guarded: before the upgrade"):
        discard_by_hand(board, shelf, id)
    unguard(shelf, id, None, board.facts(), Quiet(), Stop())
    assert discard_by_hand(board, shelf, id)["removed"] == [id]


def test_the_newest_good_one_has_to_be_named_twice(board: SmallBoard, shelf: Shelf) -> None:
    id = list(board.contents)[-1]
    with pytest.raises(Refused, match="its id was not typed"):
        discard_by_hand(board, shelf, id)
    with pytest.raises(Refused, match="was said again"):
        discard_by_hand(board, shelf, id, again=next(iter(board.contents)))
    assert discard_by_hand(board, shelf, id, again=id)["removed"] == [id]
    assert len(check_restores(board, shelf)) == 4


class KeepsWhatIsRemoved(FolderStorage):
    """A server with a recycle bin: what is unlinked gives no room back."""

    def free_bytes(self) -> int:
        return 1 << 40


def test_a_recycle_bin_is_told_of(board: SmallBoard, shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(freed, "_SMALL", SEGMENT)
    monkeypatch.setattr(removal_module, "_SETTLES_SECONDS", 0.0)
    binned = replace(shelf, storage=KeepsWhatIsRemoved(shelf.path))
    done = thin_once(board, binned, tidy=True)
    assert any("recycle bin" in text for text in done["waits"])


class Full(FolderStorage):
    """A share with a quota that is used up, but for what is removed."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.quota = self._used()

    def _used(self) -> int:
        # A server counts in blocks.
        return sum(-(-path.stat().st_size // 4096) for path in self.root.rglob("*") if path.is_file())

    def free_bytes(self) -> int:
        return 4096 * (self.quota - self._used())

    def create(self, name: str) -> Sink:
        return _FullSink(super().create(name), self)


class _FullSink:
    def __init__(self, real: Sink, storage: Full) -> None:
        self._real = real
        self._storage = storage

    def write(self, data: Bytes) -> None:
        self._real.write(data)
        if self._storage.free_bytes() < 0:
            self._real.rewrite(b"")
            raise OSError(errno.EDQUOT, os.strerror(errno.EDQUOT))

    def rewrite(self, data: Bytes) -> None:
        self._real.rewrite(data)

    def sync(self) -> None:
        self._real.sync()

    def close(self) -> None:
        self._real.close()


def test_a_full_share_can_be_tidied(board: SmallBoard, shelf: Shelf) -> None:
    full = replace(shelf, storage=Full(shelf.path))
    with pytest.raises(NoRoom):
        board.capture(full, card_of_night(0))
    (shelf.path / "ballast").write_bytes(bytes(1 << 20))
    full = replace(shelf, storage=Full(shelf.path))
    done = thin_once(board, full, tidy=True)
    assert len(done["removed"]) == 3
    assert not (shelf.path / "ballast").exists()  # until there is room again
    check_restores(board, full)
    board.capture(full, card_of_night(4))
    thin_once(board, shelf)
    assert (shelf.path / "ballast").exists()


def test_what_cannot_be_read_stays_where_it_is(board: SmallBoard, shelf: Shelf) -> None:
    """Of the third night's part, only segment 7 is needed: one that cannot be read is not moved, nor called damaged."""
    (part,) = (part for part in shelf.path.glob("stock/*.zst") if 48 << 10 < part.stat().st_size < 60 << 10)
    torn = bytearray(part.read_bytes())
    torn[-2000] ^= 1
    part.write_bytes(torn)
    done = thin_once(board, shelf, tidy=True)
    assert (done["rewritten_parts"], done["moved_bytes"]) == ([], 0)
    assert 3 in sizes(shelf)
    torn[-2000] ^= 1
    part.write_bytes(torn)
    check_restores(board, shelf)
    assert len(thin_once(board, shelf, tidy=True)["rewritten_parts"]) == 1
    check_restores(board, shelf)


def test_a_reader_without_a_mark_finds_parts_in_the_trash(board: SmallBoard, shelf: Shelf) -> None:
    """On a share that cannot be written: it began to read before the capture was removed, and reads to the end."""
    id = list(board.contents)[2]
    _, history = captures_of(shelf)
    _, index, stretches = stream_of(shelf, history, id, pytest.fail)
    thin_once(board, shelf)
    assert id not in check_restores(board, shelf)
    with closing(index), SegmentReader(shelf, history) as reader:
        found = [reader.read(stretch.place, stretch.entry.hash) for stretch in stretches if stretch.place]
    assert b"".join(found) == board.contents[id]  # a card without zeros
