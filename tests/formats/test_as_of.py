"""Captures by a moment. Which one is expected follows from the order in which they were taken."""

from __future__ import annotations

import filecmp
import json
import re
from pathlib import Path

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made, resealed_json

pytestmark = pytest.mark.formats
LATER = "2199-01-01"


def altered(made: Made, capture: str, field: str, value: str) -> None:
    record = made.record(capture)
    text, count = re.subn(rf'(?m)^  "{field}": ".*"', f'  "{field}": "{value}"', record.read_text())
    assert count == 1
    record.write_text(resealed_json(text))


def test_a_moment_stands_in_place_of_the_id(hurt: Made, tmp_path: Path) -> None:
    altered(hurt, hurt.captures[0], "finished", "2026-03-02T03:15:00+00:00")
    for moment, state in (("2026-03-02", hurt.states[0]), (LATER, hurt.states[1])):
        backupctl(hurt.share, "restore", "--as-of", moment, tmp_path / "copy.img")
        assert filecmp.cmp(tmp_path / "copy.img", state, shallow=False)
        (tmp_path / "copy.img").unlink()
    backupctl(hurt.share, "restore", tmp_path / "copy.img", "--as-of", "2026-03-01", code=2)
    assert not (tmp_path / "copy.img").exists()


@pytest.mark.parametrize("command", ["restore", "show", "verify"])
def test_a_moment_and_an_id_are_refused_together(command: str, hurt: Made, tmp_path: Path) -> None:
    target = [tmp_path / "copy.img"] if command == "restore" else []
    backupctl(hurt.share, command, hurt.captures[0], *target, "--as-of", LATER, code=2)
    assert not (tmp_path / "copy.img").exists()


def test_without_a_moment_a_restore_needs_an_id(hurt: Made, tmp_path: Path) -> None:
    assert "which capture" in backupctl(hurt.share, "restore", tmp_path / "copy.img", code=2).err
    assert not (tmp_path / "copy.img").exists()
    backupctl(hurt.share, "restore", tmp_path / "copy.img", "--as-of", "", code=2)
    assert not (tmp_path / "copy.img").exists()


def test_a_partial_capture_counts_only_where_none_is_good_by_then(hurt: Made) -> None:
    def by(moment: str) -> str:
        return str(json.loads(backupctl(hurt.share, "show", "--as-of", moment, "--json").out)["id"])

    first, second = hurt.captures
    altered(hurt, second, "state", "partial")
    assert by(LATER) == first
    altered(hurt, first, "state", "partial")
    assert by(LATER) == second
