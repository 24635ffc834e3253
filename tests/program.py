"""The program as its users start it: in a process of its own, by its arguments, to its exit code."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any


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
