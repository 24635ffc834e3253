"""Joining a share that is there already, and a shelf that is all of it that a board may see."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.domain.errors import Refused
from backupctl.domain.policy import Policy
from backupctl.operations.facts import this_machine
from backupctl.operations.shares.adopt import adopt, existing_shelf
from backupctl.operations.shares.share_identity import Identity, identity_at, remembered
from backupctl.share.shelf import adopt_share, make_shelf

MADE = "2026-12-01T02:00:00+01:00"


@pytest.fixture
def share(tmp_path: Path) -> Path:
    """A share that another board has made, on a server."""
    folder = tmp_path / "share"
    folder.mkdir()
    adopt_share(folder, same_machine=False, made=MADE)
    make_shelf(folder, "greenhouse", "xxh3-128", MADE)
    return folder


def join(folder: Path, board: str | None, state: Path) -> dict[str, object]:
    return adopt(folder, board, False, Policy(), this_machine(state))


def everything(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_joining_a_share(share: Path, tmp_path: Path) -> None:
    before = everything(share)
    joined = join(share, "mill", tmp_path / "state")
    assert joined["notes"] == ["it was a share already; the board joins it"]
    assert joined["shelf"] == str(share / "boards/mill")
    # Nothing that was there has changed.
    assert before.items() <= everything(share).items()
    shelf = existing_shelf(share, "mill")
    mark = identity_at(share)
    assert shelf is not None
    assert mark is not None
    assert shelf.mark.share == mark.id


def test_a_shelf_is_all_that_can_be_seen(share: Path, tmp_path: Path) -> None:
    shelf = share / "boards/greenhouse"
    before = everything(share)
    for board in (None, "greenhouse"):
        joined = join(shelf, board, tmp_path / "state")
        assert (joined["board"], joined["shelf"], joined["share"]) == ("greenhouse", str(shelf), str(shelf))
    with pytest.raises(Refused, match="the shelf of greenhouse, not of mill"):
        join(shelf, "mill", tmp_path / "state")
    assert everything(share) == before


def test_the_machine_remembers_which_share_it_is(share: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    join(share, "mill", state)
    join(share / "boards/greenhouse", None, state)
    known = remembered(state)
    assert known == {
        str(share): identity_at(share),
        str(share / "boards/greenhouse"): identity_at(share / "boards/greenhouse"),
    }
    found = known[str(share / "boards/greenhouse")]
    assert found.board == "greenhouse"
    assert found != Identity(found.id, None)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"/a": 3}', '{"/a": {}}', "\udc80"])
def test_a_memory_that_cannot_be_read_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "shares.json").write_bytes(text.encode(errors="surrogateescape"))
    assert remembered(tmp_path) == {}


def test_joining_where_nothing_can_be_remembered(share: Path, tmp_path: Path) -> None:
    (tmp_path / "state").touch()
    (note,) = [n for n in _notes(join(share, "mill", tmp_path / "state")) if "remember" in n]
    assert "cannot remember" in note


def _notes(result: dict[str, object]) -> list[str]:
    notes = result["notes"]
    assert isinstance(notes, list)
    return notes
