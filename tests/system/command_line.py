"""Runs the program in a folder, perhaps as somebody else."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
import sysconfig
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.program import Ended

ROOT = Path(__file__).parents[2]
NOBODY = 65534
_BECOME_NOBODY = ("setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups")


def backupctl(*words: str | Path, cwd: Path, as_nobody: bool = False, path: str | None = None) -> Ended:
    """`python -m backupctl WORDS`."""
    return command([_python(as_nobody), "-m", "backupctl", *map(str, words)], cwd, as_nobody, path)


def command(words: Sequence[str], cwd: Path, as_nobody: bool = False, path: str | None = None) -> Ended:
    """Any command. Its home is `cwd`, so that nobody's own settings count."""
    environment = {
        **{name: value for name, value in os.environ.items() if not name.startswith(("BACKUPCTL_", "XDG_"))},
        "HOME": str(cwd),
        "PYTHONPATH": f"{ROOT}:{sysconfig.get_path('purelib')}",
    }
    if path is not None:
        environment["PATH"] = path
    done = subprocess.run(
        [*(_BECOME_NOBODY if as_nobody else ()), *words], cwd=cwd, env=environment, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    return Ended(done.returncode, done.stdout, done.stderr)


@functools.cache
def _python(as_nobody: bool) -> str:
    """This interpreter; for nobody, who may not reach it in its owner's folder, the system's of the same version."""
    if not as_nobody:
        return sys.executable
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    for python in (sys.executable, f"/usr/bin/python{sys.version_info.major}.{sys.version_info.minor}"):
        # The shell in between has lost root's rights, which setpriv itself still has when it starts a program.
        tried = [*_BECOME_NOBODY, "sh", "-c", 'exec "$0" -c ""', python]
        if subprocess.run(tried, capture_output=True, check=False).returncode == 0:
            return python
    pytest.skip("needs a Python that nobody in particular may run")


def too_wide(text: str, columns: int = 80) -> list[str]:
    """Lines that an 80-column terminal would break."""
    return [line for line in text.splitlines() if len(line) > columns]
