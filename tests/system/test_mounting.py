"""Mounting beside the others: what is seen, what is left, and that nothing of the share is ever removed."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.mounting import mounted_aside
from backupctl.domain.errors import Refused
from tests.system.loop_device import need, tool

pytestmark = pytest.mark.system


def left_over() -> str:
    return tool("findmnt", "--list", "--noheadings", "--output", "TARGET")


def test_it_is_there_for_as_long_as_the_block_lasts(tmp_path: Path) -> None:
    need("mount", "findmnt")
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared/share.json").touch()
    with mounted_aside(str(tmp_path / "shared"), "none", ["bind"]) as folder:
        assert [path.name for path in folder.iterdir()] == ["share.json"]
        assert str(folder) in left_over()
    assert not folder.exists()
    assert "backupctl-look-" not in left_over()
    assert (tmp_path / "shared/share.json").exists()


def test_somebody_who_stays_in_it_does_not_keep_it(tmp_path: Path) -> None:
    need("mount", "findmnt")
    (tmp_path / "shared").mkdir()
    with mounted_aside(str(tmp_path / "shared"), "none", ["bind"]) as folder:
        held = (folder / "open").open("w")
    held.close()
    assert (not folder.exists(), (tmp_path / "shared/open").exists()) == (True, True)
    assert "backupctl-look-" not in left_over()


def test_what_cannot_be_mounted_is_refused_in_the_words_of_mount(tmp_path: Path) -> None:
    need("mount", "findmnt")
    with pytest.raises(Refused, match="does not exist"), mounted_aside(str(tmp_path / "no"), "none", ["bind"]):
        raise AssertionError
    assert "backupctl-look-" not in left_over()
