"""A shelf whose making was cut short is finished; one that lost its mark is not given another."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from backupctl.domain.errors import Refused
from backupctl.share import ballast as ballast_module
from backupctl.share import shelf as shelf_module
from backupctl.share.shelf import adopt_share, make_shelf, open_shelf
from backupctl.share.storage import Bytes, Storage, write_whole
from tests.unit.faulty_storage import Dead

MADE = "2026-12-01T02:00:00+01:00"


@pytest.mark.parametrize("cut", [1, 2, 3])
def test_files_that_were_cut_short_are_written_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int) -> None:
    adopt_share(tmp_path, same_machine=True, made=MADE)
    writes = 0

    def cut_short(storage: Storage, name: str, data: Bytes) -> None:
        nonlocal writes
        writes += 1
        write_whole(storage, name, data[: len(data) // 2] if writes == cut else data)
        if writes == cut:
            raise Dead

    with monkeypatch.context() as patch, pytest.raises(Dead):
        for module in (shelf_module, ballast_module):
            patch.setattr(module, "write_whole", cut_short)
        make_shelf(tmp_path, "greenhouse", "xxh3-128", MADE)
    made = make_shelf(tmp_path, "greenhouse", "xxh3-128", MADE)
    assert (made.path / "rebuild.sh").read_bytes() == files("backupctl.share").joinpath("rebuild.sh").read_bytes()
    text = files("backupctl.share").joinpath("how_to_restore.txt").read_text(encoding="utf-8")
    assert (made.path / "HOW-TO-RESTORE.txt").read_text(encoding="utf-8").count("\n") == text.count("\n")
    assert (made.path / "ballast").stat().st_size == 1 << 20


def test_making_a_shelf_again_changes_nothing(tmp_path: Path) -> None:
    adopt_share(tmp_path, same_machine=True, made=MADE)
    first = make_shelf(tmp_path, "greenhouse", "xxh3-128", MADE)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert make_shelf(tmp_path, "greenhouse", "sha256", MADE).mark == first.mark
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_a_shelf_with_captures_gets_no_second_mark(tmp_path: Path) -> None:
    adopt_share(tmp_path, same_machine=True, made=MADE)
    path = make_shelf(tmp_path, "greenhouse", "xxh3-128", MADE).path
    (path / "captures" / "20261201T010000Z-image-00c0de").mkdir()
    mark = (path / "shelf.json").read_bytes()
    (path / "shelf.json").unlink()
    with pytest.raises(Refused, match="its mark"):
        make_shelf(tmp_path, "greenhouse", "xxh3-128", MADE)
    (path / "shelf.json").write_bytes(mark)
    assert open_shelf(tmp_path, "greenhouse").path == path
