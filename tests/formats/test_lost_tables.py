"""A table that is lost while its part is whole costs time, but no capture."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.share.shelf import Shelf, open_shelf
from backupctl.share.storage import FolderStorage, Source
from tests.program import backupctl
from tests.shelf_of_card import Made, flip, pack, unpacked

pytestmark = pytest.mark.formats


def removed(table: Path) -> None:
    table.unlink()


def flipped(table: Path) -> None:
    flip(table, table.stat().st_size // 2, 3)


def truncated(table: Path) -> None:
    os.truncate(table, table.stat().st_size - 40)


def lying_before_it_ends(table: Path) -> None:
    """Every row names a place that is not the segment's, nor its SHA-256; only the last line tells of the damage."""
    lines = [line.split("\t") for line in unpacked(table).splitlines()[1:-1]]
    places = [line[2:] for line in lines]
    rows = ["\t".join([hash, sha256[::-1], *place]) for (hash, sha256, *_), place in
            zip(lines, [*places[1:], places[0]], strict=True)]  # fmt: skip
    text = unpacked(table).splitlines()
    pack(table, "\n".join([text[0], *rows, text[-1]]) + "\n")


LOSSES = [removed, flipped, truncated, lying_before_it_ends]


def assert_all_restored(made: Made, folder: Path) -> None:
    for capture, state in zip(made.captures, made.states, strict=True):
        ended = backupctl(made.share, "restore", capture, folder / "copy.img")
        assert (folder / "copy.img").read_bytes() == state.read_bytes()
        assert "searched" in ended.err.replace("\n", " ")
        (folder / "copy.img").unlink()


@pytest.mark.parametrize("lose", LOSSES, ids=lambda f: f.__name__)
def test_captures_are_restored_without_a_table(lose: Callable[[Path], None], hurt: Made, tmp_path: Path) -> None:
    part = hurt.row_in_both().part
    lose(hurt.table_of(part))
    before = sorted(path.name for path in (hurt.shelf / "stock").iterdir())
    assert_all_restored(hurt, tmp_path)
    assert sorted(path.name for path in (hurt.shelf / "stock").iterdir()) == before, "a restore writes no table"


@pytest.mark.parametrize("options", [(), ("newest",), ("--thorough",), ("--nights", "2")], ids=" ".join)
@pytest.mark.parametrize("lose", LOSSES, ids=lambda f: f.__name__)
def test_a_lost_table_is_damage_but_of_no_capture(
    lose: Callable[[Path], None], options: tuple[str, ...], hurt: Made
) -> None:
    part = hurt.row_in_both().part
    lose(hurt.table_of(part))
    found = backupctl(hurt.share, "verify", *options, "--json", code=5).json
    assert (found["damaged_captures"], found["damaged_segments"], found["damaged_parts"]) == ([], 0, [])
    assert part in " ".join(found["problems"])
    assert {item["state"] for item in backupctl(hurt.share, "list", "--json").json} == {"good"}


def test_the_next_capture_ends_it(hurt: Made) -> None:

    for part in hurt.parts():
        hurt.table_of(part.name.removesuffix(".zst")).unlink()
    backupctl(hurt.share, "verify", code=5)
    hurt.capture(code=None)
    backupctl(hurt.share, "verify")


def test_a_segment_that_is_damaged_as_well_is_lost(hurt: Made, tmp_path: Path) -> None:
    row = hurt.row_in_both()
    hurt.table_of(row.part).unlink()
    flip(hurt.shelf / "stock" / f"{row.part}.zst", row.offset + row.stored // 3)
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert {item["id"] for item in found["damaged_captures"]} == set(hurt.captures)
    backupctl(hurt.share, "restore", "newest", tmp_path / "copy.img", code=5)
    assert not (tmp_path / "copy.img").exists()


def test_a_part_of_an_unfinished_run_is_no_damage(hurt: Made) -> None:
    (hurt.shelf / "stock" / f"{'0' * 20}.zst").write_bytes(b"what a run wrote before the power went")
    backupctl(hurt.share, "verify")


class BadDisk(FolderStorage):
    """A server whose disk gives an error (read(2), EIO) for tables."""

    def open(self, name: str, past_cache: bool = False) -> Source:
        if name.endswith(".table.zst"):
            raise OSError(errno.EIO, os.strerror(errno.EIO), name)
        return super().open(name, past_cache)


def test_tables_that_the_disk_does_not_give_back(hurt: Made, tmp_path: Path) -> None:
    shelf = open_shelf(hurt.share, "shed")
    shelf = Shelf(BadDisk(shelf.path), shelf.mark, shelf.path)
    facts, target = this_machine(tmp_path / "state"), tmp_path / "copy.img"
    restore_to_file(shelf, "newest", None, target, False, facts, Quiet(), Stop())
    assert target.read_bytes() == hurt.states[1].read_bytes()
    found = verify(shelf, VerifyOptions(), facts, Quiet(), Stop())
    assert set(found["whole_captures"]) == set(hurt.captures)
    assert len(found["problems"]) == len(hurt.parts())
