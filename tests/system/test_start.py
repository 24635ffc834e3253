"""The first moments of the program, while the rest of it is still being read in."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.program import environment

pytestmark = pytest.mark.system

# Python reads this before the program. It presses ctrl-C as soon as a module of that name is looked for.
_HOOK = """\
import os, signal, sys
class CtrlC:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, CtrlC())
"""
_IGNORING = """\
import os, signal, sys
signal.signal(signal.SIGINT, signal.SIG_IGN)
os.execv(sys.executable, [sys.executable, *sys.argv[1:]])
"""


def started(folder: Path, module: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Python with these arguments, and ctrl-C while it reads `module`."""
    (folder / "sitecustomize.py").write_text(_HOOK.format(module=module))
    found = environment(None)
    found["PYTHONPATH"] = f"{folder}:{found.get('PYTHONPATH', '')}"
    return subprocess.run([sys.executable, *words], env=found, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize("module", ["typer", "backupctl.domain.errors", "backupctl.cli.main"])
def test_ctrl_c_ends_it_without_a_word(tmp_path: Path, module: str) -> None:
    ended = started(tmp_path, module, "-m", "backupctl", "list")
    assert (ended.returncode, ended.stdout, ended.stderr) == (-signal.SIGINT, "", "")


def test_ctrl_c_before_a_command_has_begun(tmp_path: Path) -> None:
    ended = started(tmp_path, "backupctl.cli.view", "-m", "backupctl", "list")
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "")


def test_ctrl_c_a_little_later_is_told_as_at_any_time(tmp_path: Path) -> None:
    ended = started(tmp_path, "backupctl.cli.supervisor", "-m", "backupctl", "list", "--share", tmp_path)
    assert ended.returncode == 130
    assert "Traceback" not in ended.stderr


def test_it_goes_on_where_ctrl_c_is_ignored(tmp_path: Path) -> None:
    (tmp_path / "ignoring.py").write_text(_IGNORING)
    ended = started(tmp_path, "typer", tmp_path / "ignoring.py", "-m", "backupctl", "--version")
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout
