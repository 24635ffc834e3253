"""Priorities as the kernel has them afterwards, against ionice of util-linux and /proc."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

pytestmark = pytest.mark.system

# Priorities cannot be raised again, so a process of its own is lowered.
PROGRAM = """
import os, subprocess, threading
from backupctl.board.pace import be_nice, use_idle_io
be_nice(7)
be_nice(3)
use_idle_io()
def ask():
    me = threading.get_native_id()
    subprocess.run(["ionice", "-p", str(me)])
    print(os.getpriority(os.PRIO_PROCESS, me), flush=True)
ask()
thread = threading.Thread(target=ask)
thread.start()
thread.join()
"""


def test_nice_and_idle_hold_for_threads_started_later() -> None:
    if not shutil.which("ionice"):
        pytest.skip("needs ionice")
    if os.getpriority(os.PRIO_PROCESS, 0) > 7:
        pytest.skip("this process is too nice already")
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    assert done.stdout.split("\n") == ["idle", "7", "idle", "7", ""]
