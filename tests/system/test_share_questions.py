"""`share plan` at a terminal: it asks for what is missing, and a typed password is seen nowhere."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import time
from pathlib import Path

import pytest

from tests.made_up_system import make
from tests.program import command, environment
from tests.system.command_line import too_wide

pytestmark = pytest.mark.system

PASSWORD = "quiet-fern"


def at_a_terminal(answers: list[tuple[str, str]], *words: str | Path) -> tuple[int, str]:
    """Runs it in a pseudo-terminal; after each text that is waited for, a line is typed."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        command(*words), stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env=environment(None),
        preexec_fn=lambda: os.close(os.open(os.ttyname(theirs), os.O_RDWR)),  # now it is the controlling terminal
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if not select.select([ours], [], [], 1)[0]:
            continue
        try:
            seen += os.read(ours, 65536)
        except OSError:  # EIO: nobody has the other end open any more
            break
        if answers and answers[0][0].encode() in seen:
            time.sleep(0.2)  # what is typed before the echo is off is shown by the terminal, not by the program
            os.write(ours, f"{answers.pop(0)[1]}\n".encode())
    os.close(ours)
    assert not answers
    return process.wait(10), seen.decode().replace("\r\n", "\n")


def test_everything_is_asked_for(tmp_path: Path) -> None:
    system = make(tmp_path)
    answers = [
        ("Name or address of the NAS", "nas.lan"),
        ("Name of the share", "Back ups"),
        ("Where to mount it [/mnt/nas]", str(system.mounts / "nas")),
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
    answers = [("Where to mount it", ""), ("account there", "")]
    words = ("share", "plan", "--root", system.root, "--server", "nas.lan", "--path", "x")
    code, seen = at_a_terminal(answers, *words)
    assert code == 4  # a guest
    assert "//nas.lan/x, mounted at /mnt/nas" in seen
    assert "Password" not in seen
