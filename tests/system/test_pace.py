"""Priorities and limits as the kernel has them, against ionice of util-linux and a real control group."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.system

# Priorities cannot be raised again, so a process of its own is lowered.
PROGRAM = """
import os, subprocess, threading
from backupctl.board.pace import ahead_of_others, be_nice, use_idle_io
be_nice(7)
be_nice(3)
use_idle_io()
with ahead_of_others():
    subprocess.run(["ionice", "-p", str(threading.get_native_id())])
    print(os.getpriority(os.PRIO_PROCESS, 0), flush=True)
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
    told = done.stdout.split("\n")
    assert told[0] == "best-effort: prio 0"
    if os.geteuid() == 0:
        assert told[1] == "-20"
    assert told[2:] == ["idle", "7", "idle", "7", ""]


@pytest.fixture
def group_of_128_mib() -> Iterator[Path]:
    """A control group with a limit, of whichever version this machine has (cgroups(7))."""
    for parent, limit in (("memory", "memory.limit_in_bytes"), ("", "memory.max")):
        group = Path("/sys/fs/cgroup") / parent / f"backupctl-test-{os.getpid()}"
        if parent and not (group.parent / limit).exists():
            continue
        try:
            group.mkdir()
        except OSError as error:
            pytest.skip(f"no control group can be made: {error}")
        try:
            if not (group / limit).exists():
                pytest.skip("control groups limit no memory here")
            (group / limit).write_text(str(128 << 20))
            yield group
        finally:
            group.rmdir()
        return


def test_memory_in_a_control_group(group_of_128_mib: Path) -> None:
    program = (
        "from pathlib import Path; import sys; from backupctl.board import pace\n"
        "Path(sys.argv[1]).write_text('0'); held = b'x' * (40 << 20)\n"
        "print(pace.available_memory() >> 20, pace.workers())"
    )
    procs = str(group_of_128_mib / "cgroup.procs")
    done = subprocess.run([sys.executable, "-c", program, procs], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    megabytes, workers = map(int, done.stdout.split())
    # 128 less the 40 that it holds; what it had before it came into the group does not count there.
    assert 80 <= megabytes <= 88
    assert workers == 1
