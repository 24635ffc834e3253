"""A package manager's lock, as another process holds it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from backupctl.board.packages import package_manager_at_work, wait_for_package_manager

pytestmark = pytest.mark.system

# lockf of Python's fcntl takes a lock of fcntl(2), as dpkg does.
HOLD = """
import fcntl, sys
file = open(sys.argv[1], "w")
fcntl.lockf(file, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_lock_that_is_held(tmp_path: Path) -> None:
    lock = tmp_path / "var/lib/dpkg/lock-frontend"
    lock.parent.mkdir(parents=True)
    assert package_manager_at_work(tmp_path) == 0
    command = [sys.executable, "-c", HOLD, str(lock)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdin is not None
        assert holder.stdout.readline() == "held\n"
        assert package_manager_at_work(tmp_path) == holder.pid
        assert wait_for_package_manager(0.1, tmp_path, sleep=lambda _: None) == holder.pid
        holder.stdin.close()
    assert wait_for_package_manager(5, tmp_path) == 0
