"""`share plan` at a terminal: it asks for what is missing, and a typed password is seen nowhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.made_up_system import make
from tests.system.command_line import too_wide
from tests.terminal import Terminal

pytestmark = pytest.mark.system

PASSWORD = "quiet-fern"


def at_a_terminal(answers: list[tuple[str, str]], *words: str | Path) -> tuple[int, str]:
    """After each text that is waited for, a line is typed."""
    terminal = Terminal(*words)
    for question, line in answers:
        terminal.answer(question, line)
    return terminal.end(), terminal.seen


def test_everything_is_asked_for(tmp_path: Path) -> None:
    system = make(tmp_path)
    answers = [
        ("Name or address of the NAS", "nas.lan"),
        ("Name of the share", "Back ups"),
        ("Where to mount it [/mnt/nas]", str(system.mounts / "nas")),
        ("smb or nfs [smb]", ""),
        ("account there", "mill"),
        ("Password of mill on nas.lan", PASSWORD),
    ]
    code, seen = at_a_terminal(answers, "share", "plan", "--root", system.root, "--apply")
    assert code == 0, seen
    assert PASSWORD not in seen
    (credentials,) = (system.root / "etc/backupctl").iterdir()
    assert credentials.read_text() == f"username=mill\npassword={PASSWORD}\n"
    wide = too_wide(seen)
    assert [line for line in wide if "cifs" not in line and "mounts" not in line] == []


def test_showing_asks_for_no_password(tmp_path: Path) -> None:
    system = make(tmp_path)
    answers = [("Where to mount it", ""), ("smb or nfs", "smb"), ("account there", "")]
    words = ("share", "plan", "--root", system.root, "--server", "nas.lan", "--path", "x")
    code, seen = at_a_terminal(answers, *words)
    assert code == 4  # a guest
    assert "//nas.lan/x, mounted at /mnt/nas" in seen
    assert "Password" not in seen
