"""What a command reads and writes beside its files: a terminal's questions, and results that nobody takes."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.files_shelf import share_of_folder
from tests.program import command, environment
from tests.terminal import Terminal

pytestmark = pytest.mark.system

QUESTION = "Type the name of the board (shed) to unpack it there:\n> "


@pytest.fixture(scope="module")
def share(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("folder")
    (folder / "tune").write_text("la la\n")
    return share_of_folder(folder, tmp_path_factory.mktemp("work"))


def restoring(share: Path, target: Path, *options: str) -> tuple[str | Path, ...]:
    return ("restore", "newest", target, "--share", share, "--board", "shed", *options)


def test_a_question_is_no_part_of_the_result(share: Path, tmp_path: Path) -> None:
    with (tmp_path / "result.json").open("w+b") as out:
        terminal = Terminal(*restoring(share, tmp_path / "back", "--json"), out=out)
        terminal.answer(QUESTION, "shed")
        assert terminal.end() == 0
        out.seek(0)
        assert json.load(out)["restored"] is True
    assert (tmp_path / "back" / "tune").read_text() == "la la\n"


def test_what_is_typed_may_be_no_text(share: Path, tmp_path: Path) -> None:
    terminal = Terminal(*restoring(share, tmp_path / "back"), more={"PYTHONIOENCODING": "utf-8"})
    terminal.answer(QUESTION, os.fsdecode(b"\xff\xfe"))
    assert terminal.end() == 3, terminal.seen
    assert "nothing was unpacked" in terminal.seen


def test_an_interrupted_question_ends_it(share: Path, tmp_path: Path) -> None:
    terminal = Terminal(*restoring(share, tmp_path / "back"))
    terminal.read_to(QUESTION)
    terminal.interrupt()
    assert terminal.end() == 130, terminal.seen
    assert "stopped on request" in terminal.seen
    assert not (tmp_path / "back").exists()


def test_without_standard_files(share: Path, tmp_path: Path) -> None:
    """As a daemon may start it (daemon(3)): a file that it opens must not become one of the three."""
    for closed, words, code in (
        ("<&-", restoring(share, tmp_path / "back"), 3),
        (">&-", ("list", "--share", share), 0),
        ("2>&-", ("list", "--share", share, "--board", "barn"), 2),
        ("<&- >&- 2>&-", restoring(share, tmp_path / "all", "--yes"), 0),
    ):
        shell = ["sh", "-c", f'"$@" {closed}', "sh", *command(*words)]
        ended = subprocess.run(shell, env=environment(None), capture_output=True, text=True, check=False, timeout=60)
        assert ended.returncode == code, (closed, ended)
        assert "Traceback" not in ended.stderr and not ended.stdout
    assert not (tmp_path / "back").exists()
    assert (tmp_path / "all" / "tune").read_text() == "la la\n"


def test_results_that_nobody_takes(share: Path, tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    card.write_bytes(bytes(1 << 20))
    figures = tmp_path / "night.prom"
    night = ("night", "--board", "shed", "--source", card, "--metrics", figures, "--quiet")
    with Path("/dev/full").open("wb") as full:  # full(4)
        ended = subprocess.run(
            command(*night), env=environment(share), stdin=subprocess.DEVNULL, stdout=full, stderr=subprocess.PIPE,
            text=True, check=False, timeout=60,
        )  # fmt: skip
    assert ended.returncode == 1
    assert f"cannot be written to standard output: {os.strerror(28)}" in ended.stderr
    assert "backupctl_night_exit_code" in figures.read_text()
    # Who closes a pipe early (`| head`) knows why.
    reading, writing = os.pipe()
    os.close(reading)
    ended = subprocess.run(
        command("list"), env=environment(share), stdin=subprocess.DEVNULL, stdout=writing, stderr=subprocess.PIPE,
        text=True, check=False, timeout=60,
    )  # fmt: skip
    os.close(writing)
    assert (ended.returncode, ended.stderr) == (1, "")
