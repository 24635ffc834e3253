"""The program as its users start it: in a process of its own, by its arguments, to its exit code."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.cli import main as cli


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
    done = subprocess.run(
        command(*arguments), env=environment(share), stdin=subprocess.DEVNULL, capture_output=True, text=True,
        errors="replace", timeout=120, check=False,
    )  # fmt: skip
    ended = Ended(done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in ended.err, (arguments, ended)
    assert code is None or ended.code == code, (arguments, ended)
    return ended


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
