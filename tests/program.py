"""The program as its users start it: in a process of its own, by its arguments, to its exit code."""

from __future__ import annotations

import atexit
import calendar
import contextlib
import functools
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.cli import main as cli
from tests import loaded_program

_SECONDS = 120
_ROOT = str(Path(__file__).parents[1])


@dataclass(frozen=True)
class Ended:
    """How a run ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "backupctl", *(str(argument) for argument in arguments)]


def environment(share: Path | None) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("BACKUPCTL_")}
    return kept | ({"BACKUPCTL_SHARE": str(share)} if share else {})


def backupctl(share: Path | None, *arguments: str | Path, code: int | None = 0) -> Ended:
    """Runs it with `share` as its share. `code` is the exit code that it must end with; None: any of the table."""
    takes_capture = not {"capture", "night"}.isdisjoint(arguments)
    if takes_capture:
        _wait_for_another_second()
    ended = _run([str(argument) for argument in arguments], environment(share))
    if takes_capture:
        _note_captures(ended.out)
    assert "Traceback" not in ended.err, (arguments, ended)
    assert code is None or ended.code == code, (arguments, ended)
    return ended


_last_capture = 0


def _wait_for_another_second() -> None:
    """Names of captures begin with a time in seconds. No card is read in less, and only here the order is left open."""
    global _last_capture
    while int(time.time()) == _last_capture:
        time.sleep(0.02)
    _last_capture = int(time.time())


def _note_captures(out: str) -> None:
    """A capture may have got its name in the second after the one in which the program was started."""
    global _last_capture
    for name in re.findall(r"\b\d{8}T\d{6}Z-", out):
        if (named := calendar.timegm(time.strptime(name, "%Y%m%dT%H%M%SZ-"))) == int(time.time()):
            _last_capture = named


def _run(arguments: list[str], chosen: dict[str, str]) -> Ended:
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err, Path(os.devnull).open("rb") as nothing:
        link = loaded_program.start(_loaded(), arguments, chosen, [file.fileno() for file in (nothing, out, err)])
        link.settimeout(_SECONDS)
        code = loaded_program.ended(link)
        texts = []
        for file in (out, err):
            file.seek(0)
            texts.append(file.read().decode(errors="replace"))
    return Ended(code, *texts)


@functools.cache
def _loaded() -> str:
    """The socket of a process that has the program loaded, which ends with this one."""
    folder = tempfile.mkdtemp()
    path = f"{folder}/program"
    words = [sys.executable, loaded_program.__file__, path]
    process = subprocess.Popen(words, stdin=subprocess.PIPE, env=environment(None) | {"PYTHONPATH": _ROOT})
    until = time.monotonic() + 60
    while not Path(path).exists():
        assert process.poll() is None and time.monotonic() < until
        time.sleep(0.01)

    def end() -> None:
        assert process.stdin is not None
        process.stdin.close()
        process.wait()
        shutil.rmtree(folder)

    atexit.register(end)
    return path


def here(share: Path, *arguments: str | Path) -> Ended:
    """As `backupctl`, but within this process: many times faster, for tests that need thousands of runs."""
    out, err = io.StringIO(), io.StringIO()
    before = sys.argv, os.environ.copy()
    sys.argv = ["backupctl", *(str(argument) for argument in arguments)]
    os.environ["BACKUPCTL_SHARE"] = str(share)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            cli.main()
        code = 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
    finally:
        sys.argv = before[0]
        os.environ.clear()
        os.environ.update(before[1])
    return Ended(code, out.getvalue(), err.getvalue())
