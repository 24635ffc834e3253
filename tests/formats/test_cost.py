"""`cost` counts every byte that is on a share, once: against what `find` and `stat` say of its files."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


def bytes_under(*folders: Path) -> int:
    """By `find -type f -printf %s`."""
    found = subprocess.run(
        ["find", *map(str, folders), "-type", "f", "-printf", "%s\\n"], stdout=subprocess.PIPE, check=True
    )
    return sum(map(int, found.stdout.split()))


def check(result: Any, folder: Path) -> None:
    assert result["total_bytes"] == bytes_under(folder)
    assert result["total_bytes"] == sum(result["classes"].values()) + sum(result["overhead"].values())
    for board in result["boards"]:
        assert board["total_bytes"] == sum(board["classes"].values()) + sum(board["overhead"].values())
        captures = [capture for capture in result["captures"] if capture["board"] == board["board"]]
        assert sum(capture["alone_bytes"] for capture in captures) == board["classes"]["alone"]
        alone = board["classes"]["alone"] + board["classes"]["within_one_tier"]
        assert sum(tier["alone_bytes"] for tier in board["tiers"]) == alone


def test_every_byte_is_in_one_class(hurt: Made, tmp_path: Path) -> None:
    result = backupctl(hurt.share, "cost", "--json").json
    check(result, hurt.share)
    assert result["overhead"]["not_ours"] == 0
    assert [capture["id"] for capture in result["captures"]] == list(hurt.captures)
    for kind, pattern in (
        ("contents", "captures/*/contents.*"),
        ("tables", "stock/*.table.zst"),
        ("ballast", "ballast"),
    ):
        assert result["overhead"][kind] == bytes_under(*hurt.shelf.glob(pattern))


def test_what_is_not_of_the_program_is_counted_as_that(hurt: Made, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.write_bytes(bytes(10_000))
    (hurt.share / "holidays").mkdir()
    (hurt.share / "holidays" / "beach.jpg").write_bytes(bytes(3000))
    (hurt.share / "ballast").write_bytes(bytes(7))  # of a shelf it would be ours
    (hurt.shelf / "stock" / "notes.txt").write_bytes(bytes(500))
    (hurt.shelf / "captures" / hurt.captures[0] / "contents.0.tsv").write_bytes(bytes(20))
    (hurt.shelf / "link").symlink_to(outside)
    (hurt.share / "folder").symlink_to(tmp_path)
    os.mkfifo(hurt.shelf / "pipe")
    result = backupctl(hurt.share, "cost", "--json").json
    check(result, hurt.share)
    assert result["overhead"]["not_ours"] == 3527
    shown = backupctl(hurt.share, "cost").out
    [beside] = re.findall(r"^beside the board: (.*)\n\n((?:.+\n)+)", shown, re.MULTILINE)
    own = bytes_under(hurt.share) - bytes_under(hurt.shelf)
    assert beside[0] == f"{own / 1024:.2f} KiB"
    assert re.search(r"files that are not ours +2\.94 KiB", beside[1])  # 3007 bytes
    assert "lies in the trash for a day and two runs" in " ".join(shown.split())


def test_what_a_stopped_run_left_is_no_capture(hurt: Made) -> None:
    (hurt.shelf / "captures" / hurt.captures[1] / "record.json").unlink()
    result = backupctl(hurt.share, "cost", "--json").json
    check(result, hurt.share)
    assert [capture["id"] for capture in result["captures"]] == [hurt.captures[0]]
    assert result["overhead"]["unfinished"] == bytes_under(hurt.shelf / "captures" / hurt.captures[1])


def test_lost_tables_cut_parts_and_damaged_captures_add_up(hurt: Made) -> None:
    parts = hurt.parts()
    os.truncate(parts[0], parts[0].stat().st_size * 2 // 3)
    hurt.table_of(parts[-1].name.removesuffix(".zst")).unlink()
    os.truncate(hurt.contents(hurt.captures[1]), 100)
    result = backupctl(hurt.share, "cost", "--json", code=4).json
    check(result, hurt.share)
    said = " ".join(result["problems"])
    assert hurt.captures[1] in said
    assert "nowhere" in said


def test_one_board_of_several(hurt: Made) -> None:
    other = hurt.share / "boards" / "barn"
    backupctl(None, "share", "adopt", hurt.share, "--same-machine", "--board", "barn")
    result = backupctl(hurt.share, "cost", "--json").json
    check(result, hurt.share)
    assert [board["board"] for board in result["boards"]] == ["barn", "shed"]
    assert [board["total_bytes"] for board in result["boards"]] == [bytes_under(other), bytes_under(hurt.shelf)]
    for share, options in ((hurt.share, ("--board", "shed")), (hurt.shelf, ())):
        result = backupctl(share, "cost", "--json", *options).json
        check(result, hurt.shelf)
    (other / "shelf.json").write_text("{}")
    result = backupctl(hurt.share, "cost", "--json", code=4).json
    check(result, hurt.share)
    assert result["overhead"]["not_ours"] == bytes_under(other)


@pytest.mark.parametrize("which", [0, 1])
def test_a_capture_frees_what_was_said(hurt: Made, which: int) -> None:
    hurt.capture()  # so that what the others wrote is confirmed
    capture = backupctl(hurt.share, "cost", "--json").json["captures"][which]
    stays = (hurt.shelf / "stock", hurt.shelf / "captures")
    before = bytes_under(*stays)
    backupctl(hurt.share, "discard", capture["id"], "--yes")
    backupctl(hurt.share, "thin", "--tidy", "--yes")
    assert before - bytes_under(*stays) == capture["freed_now_bytes"]


def test_it_is_drawn_within_80_columns(hurt: Made) -> None:
    shutil.copytree(
        hurt.shelf, hurt.share / "boards" / "a-board-with-a-name-of-the-greatest-length-that-there-may-be-1"
    )
    out = backupctl(hurt.share, "cost", code=4).out
    assert max(map(len, out.splitlines())) <= 80
    assert "off-site" in out
    assert hurt.captures[0][:16] in out
