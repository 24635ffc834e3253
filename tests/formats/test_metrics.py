"""Figures in files, read by the parser of prometheus_client."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from backupctl.domain.errors import Exit
from backupctl.formats.openmetrics import Gauge, exposition
from backupctl.operations.nights.metrics import of_night
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


def parsed(text: str) -> dict[str, dict[tuple[tuple[str, str], ...], float]]:
    """By family, its samples by their labels."""
    return {
        family.name: {tuple(sorted(sample.labels.items())): sample.value for sample in family.samples}
        for family in text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
    }


def test_the_figures_of_boards(hurt: Made, tmp_path: Path) -> None:
    file = tmp_path / "boards.prom"
    file.write_text("old")
    boards = backupctl(hurt.share, "boards", "--json", "--metrics", file).json["boards"]
    found = parsed(file.read_text())
    shed = (("board", "shed"),)
    assert found["backupctl_captures"] == {shed: 2}
    assert found["backupctl_unverified_captures"] == {shed: 2}
    assert found["backupctl_shelf_bytes"] == {shed: boards[0]["bytes"]}
    assert found["backupctl_overdue"] == {shed: 0}
    assert found["backupctl_unusable_shelves"] == {(): 0}
    # By date(1) from the text of the record.
    started = boards[0]["newest_good_started"]
    seconds = subprocess.run(["date", "-d", started, "+%s"], capture_output=True, text=True, check=True).stdout
    assert found["backupctl_last_good_capture_timestamp_seconds"] == {shed: int(seconds)}
    assert file.stat().st_mode & 0o777 == 0o644
    assert [path.name for path in tmp_path.iterdir() if "prom" in path.name] == ["boards.prom"]


def test_no_folder_is_made_for_figures(hurt: Made, tmp_path: Path) -> None:
    ended = backupctl(hurt.share, "boards", "--metrics", tmp_path / "mnt/boards.prom", code=1)
    assert "there is no folder" in ended.err
    assert not (tmp_path / "mnt").exists()


def test_the_figures_of_a_night(hurt: Made, tmp_path: Path) -> None:
    file = tmp_path / "night.prom"
    words = ("night", "--board", "shed", "--source", hurt.card, "--metrics", file, "--json")
    night = backupctl(hurt.share, *words, code=None)
    found = parsed(file.read_text())
    assert found["backupctl_night_exit_code"] == {(): night.code}
    assert found["backupctl_night_written_bytes"] == {(): night.json["capture"]["written_bytes"]}
    backupctl(tmp_path, *words, code=3)
    found = parsed(file.read_text())
    assert found["backupctl_night_exit_code"] == {(): 3}
    assert "backupctl_night_written_bytes" not in found


def test_figures_that_cannot_be_written_fail_no_night(hurt: Made, tmp_path: Path) -> None:
    words = ("night", "--board", "shed", "--source", hurt.card, "--metrics", tmp_path)
    ended = backupctl(hurt.share, *words, code=None)
    assert ended.code in (0, 4)
    assert "the figures could not be written" in ended.err


def test_the_moment_of_a_night_without_a_result() -> None:
    # date -u -d '2026-11-24 03:17' +%s
    found = parsed(of_night(None, Exit.STALLED, datetime(2026, 11, 24, 3, 17, tzinfo=UTC)))
    assert found["backupctl_night_end_timestamp_seconds"] == {(): 1795490220}


@given(
    st.dictionaries(st.from_regex(r"[a-z]{1,8}", fullmatch=True), st.text(), max_size=2),
    st.text(min_size=1),
    st.floats(allow_nan=False) | st.integers(0, 1 << 62),
)
def test_whatever_stands_in_a_label_is_read_back(labels: dict[str, str], help: str, value: float) -> None:
    found = parsed(exposition([Gauge("some", help, [(labels, value)]), Gauge("none", "x", [])]))
    assert found == {"some": {tuple(sorted(labels.items())): value}}
