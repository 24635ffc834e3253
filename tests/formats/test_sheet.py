"""The page for the bad day: its commands do what it says, and it is one page."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import typer

from backupctl.cli.main import app
from backupctl.cli.sheet_page import page
from backupctl.formats.mountinfo import parse_mountinfo
from backupctl.operations.fleet import sheet as operation
from tests.browser import printed_pages
from tests.files_shelf import make_share
from tests.program import backupctl, environment
from tests.real_tree import make_odd
from tests.shelf_of_card import Made, resealed_json

pytestmark = pytest.mark.formats

# As mountinfo shows a mount of an SMB share with a space in its name (proc(5)).
MOUNTED = (
    "36 25 0:41 / {place} rw,relatime - cifs //nas.lan/Back\\040ups "
    "rw,vers=3.1.1,cache=strict,username=greenhouse,uid=0,addr=192.0.2.7\n"
)


def sheet(made: Made, *words: str | Path) -> dict[str, Any]:
    return dict(backupctl(made.share, "sheet", "--json", *words).json)


@pytest.fixture
def on_a_server(whole: Made, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The sheet of a share that is mounted over SMB: all but the mount is real."""
    (mount,) = parse_mountinfo(MOUNTED.format(place=whole.share))
    monkeypatch.setattr(operation, "_network_mount", lambda _: mount)
    return operation.sheet(whole.share, None, datetime(2026, 11, 28, tzinfo=UTC))


def run(lines: list[str], folder: Path, card: Path) -> None:
    """Commands as they stand, in one shell, but that `card` is said."""
    lines = [f"card={shlex.quote(str(card))}" if line.startswith("card=") else line for line in lines]
    programs = folder / "bin"
    programs.mkdir(exist_ok=True)
    program = programs / "backupctl"
    program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m backupctl "$@"\n')
    program.chmod(0o755)
    done = subprocess.run(
        ["sh", "-eu", "-c", "\n".join(lines)], cwd=folder, capture_output=True, text=True, check=False,
        env=environment(None) | {"HOME": str(folder), "PATH": f"{programs}:{os.environ['PATH']}"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_its_commands_bring_the_card_back(whole: Made, tmp_path: Path) -> None:
    said = sheet(whole)
    assert said["mount"] == [], "a folder of this machine"
    run([*said["choose"], *said["linux"]], tmp_path, tmp_path / "a.img")
    run([*said["choose"], *said["rebuild"]], tmp_path, tmp_path / "b.img")
    for restored in ("a.img", "b.img"):
        assert (tmp_path / restored).read_bytes() == whole.states[1].read_bytes()
    assert not (tmp_path / "card.img").exists(), "what holds all secrets is removed"


def test_without_the_program_it_takes_the_newest_good_one_as_well(hurt: Made, tmp_path: Path) -> None:
    """Not the one that a dying card gave at last."""
    record = hurt.shelf / "captures" / hurt.captures[1] / "record.json"
    record.write_text(resealed_json(record.read_text().replace('"state": "good"', '"state": "partial"')))
    said = sheet(hurt)
    assert said["boards"][0]["newest_good"]["id"] == hurt.captures[0]
    run([*said["choose"], *said["rebuild"]], tmp_path, tmp_path / "b.img")
    assert (tmp_path / "b.img").read_bytes() == hurt.states[0].read_bytes()


def test_its_commands_bring_files_back(whole: Made, tmp_path: Path) -> None:
    """Beside a card, and where there is nothing but files of a folder; compared by GNU tar."""
    if os.geteuid() != 0:
        pytest.skip("needs root, for the owners and devices")
    folder = tmp_path / "folder"
    make_odd(folder)
    shutil.copytree(whole.share, tmp_path / "both")
    alone = make_share(tmp_path / "alone")
    (board,) = sheet(whole)["boards"]
    for share, options in ((tmp_path / "both", ("--board", board["board"])), (alone, ("--board", "shed"))):
        backupctl(share, "capture", *options, "--source", folder)
        said = backupctl(share, "sheet", "--json").json
        assert said["boards"][0]["newest_files"]["of"] == str(folder)
        assert bool(said["linux"]) == bool(said["rebuild"]) == (share != alone)
        shown = backupctl(share, "sheet").out
        assert f"files:{folder}" in "".join(shown.split())
        assert "FILES ALONE" in shown
        home = tmp_path / f"home-{share.name}"
        home.mkdir()
        run([*said["choose"], *said["files"]], home, home / "x")
        compared = ["tar", "--compare", "--xattrs", "--xattrs-include=*", "--acls", "--numeric-owner"]
        archive = tmp_path / f"{share.name}.tar"
        backupctl(share, "restore", "newest", archive, "--as-archive", *options)
        subprocess.run([*compared, "-f", archive, "-C", home / "files"], check=True)
        subprocess.run([*compared, "-f", archive, "-C", folder], check=True)


def test_what_is_to_be_done_afterwards(hurt: Made, tmp_path: Path) -> None:
    said = sheet(hurt)
    run([*said["choose"], *said["afterwards"]], tmp_path, tmp_path / "x")
    assert backupctl(hurt.share, "runs", "--json").json[-1]["kind"] == "continued"


def test_what_it_says_of_boards_and_cards(hurt: Made) -> None:
    (board,) = sheet(hurt)["boards"]
    size = hurt.states[1].stat().st_size
    assert board["newest_good"]["id"] == hurt.captures[1]
    assert board["newest_drilled"] is None
    assert (board["card_bytes"], board["card_sectors"]) == (size, size // 512)
    text = backupctl(hurt.share, "sheet").out
    # A command that names a long path stays in one piece.
    assert [line for line in text.splitlines() if len(line) >= 80 and str(hurt.share) not in line] == []
    assert "none yet" in text


@pytest.mark.parametrize(
    ("sectors", "gigabytes"),
    # Decimal gigabytes in sectors of 512 bytes, by arithmetic; and cards of less and of more than is printed on them.
    [(31_250_000, 16), (31_116_288, 16), (31_400_000, 16), (62_333_952, 32), (33_000_000, 32), (1 << 40, None)],
)
def test_what_is_printed_on_cards(sectors: int, gigabytes: int | None) -> None:
    assert operation.sold_gb(sectors * 512) == gigabytes


def test_a_share_on_a_server(on_a_server: dict[str, Any], whole: Made) -> None:
    assert on_a_server["share"] == {
        "folder": str(whole.share), "network": True, "source": "//nas.lan/Back ups", "account": "greenhouse",
        "windows": r"\\nas.lan\Back ups",
    }  # fmt: skip
    make, mount = (shlex.split(line) for line in on_a_server["mount"])
    assert make == ["mkdir", "-p", str(whole.share)]
    # mount(8), mount.cifs(8): it asks for a password that is not given.
    assert mount == ["mount", "-t", "cifs", "//nas.lan/Back ups", str(whole.share), "-o", "username=greenhouse"]
    assert on_a_server["windows"][0] == r'net use Z: "\\nas.lan\Back ups" /user:greenhouse *'


# "Availability: Unix" in Python's library reference.
_UNIX = ("fcntl", "grp", "pwd", "resource", "termios")


def windows_words(line: str) -> list[str]:
    """As cmd.exe hands them on: quotation marks keep spaces together, a backslash is nothing special."""
    assert line.startswith("py -m backupctl ")
    return [word.strip('"') for word in re.findall(r'(?:"[^"]*"|[^\s"])+', line)][3:]


def test_the_commands_for_windows(on_a_server: dict[str, Any], whole: Made, tmp_path: Path) -> None:
    """The program takes their words, and does what they say where nothing is that only Linux has."""
    program = (
        f"import os, sys\nfor name in {_UNIX!r}: sys.modules[name] = None\n"
        "del os.fork, os.pread, os.pwrite, os.posix_fadvise, os.O_DIRECTORY\n"
        "from backupctl.cli.main import main\nmain()\n"
    )
    commands = [windows_words(line) for line in on_a_server["windows"][1:]]
    for words in commands:
        name, *rest = words
        group = typer.main.get_command(app)
        found = group.get_command(typer.Context(group), name)  # type: ignore[attr-defined]
        parsed = found.make_context(name, list(rest)).params
        assert parsed["share"] == Path("Z:\\")
        here = [str(whole.share) if word == "Z:\\" else word for word in words]
        done = subprocess.run(
            [sys.executable, "-c", program, *here], cwd=tmp_path, env=environment(None) | {"HOME": str(tmp_path)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "card.img").read_bytes() == whole.states[1].read_bytes()


def test_it_is_one_page_and_says_no_password(on_a_server: dict[str, Any], tmp_path: Path) -> None:
    """With eight boards, printed by a browser (A4)."""
    boards = [on_a_server["boards"][0] | {"board": f"greenhouse-number-{number}"} for number in range(8)]
    target = tmp_path / "sheet.html"
    target.write_text(page(on_a_server | {"boards": boards}))
    assert printed_pages(target, tmp_path) == 1
    text = target.read_text()
    assert "default-src 'none'" in text
    assert not re.search(r"https?:|src=|url\(|@import|<link|<script", text)
    assert "password=" not in text
