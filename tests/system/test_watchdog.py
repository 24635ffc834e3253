"""The watchdog thaws whatever becomes of its parent: late, stopped, or killed, at every step of a freeze."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.board.block_device import disk_of
from backupctl.board.freezing import Freezer
from backupctl.board.mounted import file_systems_on
from backupctl.board.watchdog import Watchdog, WatchdogFailed
from tests.system.frozen_card import MIB, NestedCard, is_frozen, nested_card
from tests.system.loop_device import need, tool

pytestmark = [pytest.mark.system, pytest.mark.timeout(60)]

DEADLINE = 0.8

STEPS = ("armed", "between", "frozen", "thawing", "thawed")

# Freezes, tells of each step, and sends itself (or its whole group) the signal at the one that was asked for.
PARENT = f"""
import os, signal, subprocess, sys
from backupctl.board import freezing
from backupctl.board.block_device import disk_of
from backupctl.board.mounted import file_systems_on
from backupctl.board.watchdog import Watchdog

device, wanted, number, target = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]

def step(name):
    if name == wanted:
        print(name, watchdog.process, flush=True)
        os.kill(os.getpid(), number) if target == "self" else os.killpg(0, number)

def counted(call, names):
    names = iter(names)
    def counting(target):
        result = call(target)
        step(next(names))
        return result
    return counting

with Watchdog() as watchdog:
    if target == "with a child":
        os.set_inheritable(watchdog._socket.fileno(), True)
        subprocess.Popen(["sleep", "3"], close_fds=False, stdout=subprocess.DEVNULL)
        target = "self"
    freezing._freeze = counted(freezing._freeze, ("between", "last"))
    freezing.thaw = counted(freezing.thaw, ("thawing", "thawed"))
    arm = watchdog.arm
    watchdog.arm = lambda fds, seconds: (arm(fds, seconds), step("armed"))
    with freezing.Freezer(file_systems_on(disk_of(device))) as freezer:
        with freezer.frozen(watchdog, {DEADLINE}) as freeze:
            step("frozen")
        print("early:", *freeze.thawed_early, flush=True)
"""


@pytest.fixture
def card(tmp_path: Path) -> Iterator[NestedCard]:
    need("fsfreeze")
    with nested_card(tmp_path) as made:
        yield made


@contextmanager
def parent_of(card: NestedCard, step: str, number: int, target: str) -> Iterator[subprocess.Popen[str]]:
    args = [sys.executable, "-c", PARENT, card.device, step, str(int(number)), target]
    with subprocess.Popen(args, stdout=subprocess.PIPE, text=True, start_new_session=True) as parent:
        try:
            yield parent
        finally:
            parent.kill()


def told(parent: subprocess.Popen[str]) -> list[str]:
    assert parent.stdout
    return parent.stdout.readline().split()


def state_of(process: int) -> str:
    """Its letter in proc(5), /proc/pid/stat."""
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]


def wait_until_gone(process: int) -> None:
    deadline = time.monotonic() + 10
    while Path(f"/proc/{process}/stat").exists() and time.monotonic() < deadline:
        if state_of(process) == "Z":
            return  # of a container without an init that would reap it
        time.sleep(0.02)
    assert not Path(f"/proc/{process}/stat").exists()


def assert_let_go(card: NestedCard, within: float) -> None:
    """Both can be written to after so many seconds."""
    writers = [subprocess.Popen(["touch", str(place / "let go")]) for place in (card.inner, card.outer)]
    deadline = time.monotonic() + within
    for writer in writers:
        assert writer.wait(max(0.01, deadline - time.monotonic())) == 0


@pytest.mark.parametrize("target", ["self", "group", "with a child"])
@pytest.mark.parametrize("step", STEPS)
def test_a_parent_that_is_killed(card: NestedCard, step: str, target: str) -> None:
    with parent_of(card, step, signal.SIGKILL, target) as parent:
        name, watchdog = told(parent)
        assert name == step
        assert parent.wait(10) == -signal.SIGKILL
        assert_let_go(card, within=DEADLINE / 2)  # it does not wait for the deadline
        wait_until_gone(int(watchdog))


@pytest.mark.parametrize("step", STEPS)
def test_a_parent_that_is_stopped(card: NestedCard, step: str) -> None:
    with parent_of(card, step, signal.SIGSTOP, "self") as parent:
        name, _ = told(parent)
        assert name == step
        if step == "frozen":
            assert is_frozen(card.inner)
            assert is_frozen(card.outer)
        assert_let_go(card, within=DEADLINE + 1.0)
        time.sleep(DEADLINE)  # past the deadline at any step
        parent.send_signal(signal.SIGCONT)
        early = told(parent)
        assert parent.wait(10) == 0
    assert early[0] == "early:"
    if step in ("between", "frozen", "thawing"):
        assert early[1:]
    if step == "thawed":  # all was done, only the watchdog had not been told
        assert not early[1:]
    assert_let_go(card, within=1.0)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_parent_that_is_killed_or_stopped_while_it_freezes(card: NestedCard, number: signal.Signals) -> None:
    """It cannot heed a signal then: the inner one waits to be written out, which the frozen outer one keeps it from."""
    (card.inner / "written").write_bytes(os.urandom(MIB))
    tool("fsfreeze", "--freeze", card.outer)
    with parent_of(card, "armed", 0, "self") as parent:
        assert told(parent)[0] == "armed"
        deadline = time.monotonic() + 5
        while (state := state_of(parent.pid)) != "D":
            assert time.monotonic() < deadline, state
        parent.send_signal(number)
        assert_let_go(card, within=DEADLINE + 1.0)
        if number == signal.SIGKILL:
            assert parent.wait(10) == -signal.SIGKILL
            return
        time.sleep(DEADLINE)
        parent.send_signal(signal.SIGCONT)
        assert told(parent)[1:]  # thawed early
        assert parent.wait(10) == 0


def test_late_by_itself(card: NestedCard) -> None:
    with Watchdog() as watchdog, Freezer(file_systems_on(disk_of(card.device))) as freezer:
        with freezer.frozen(watchdog, 0.2) as freeze:
            time.sleep(0.6)
            assert not is_frozen(card.outer)
        assert freeze.thawed_early == (str(card.outer), str(card.inner))
        with freezer.frozen(watchdog, 5.0) as freeze:
            pass
        assert freeze.thawed_early == ()


def test_what_is_frozen_when_it_is_late_already(card: NestedCard) -> None:
    """By a parent whose freeze of the one before took so long."""
    fd = os.open(card.inner, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with Watchdog() as watchdog:
            watchdog.arm([fd], 0.1)
            time.sleep(0.5)
            tool("fsfreeze", "--freeze", card.inner)
            assert_let_go(card, within=1.0)
            assert watchdog.disarm()
    finally:
        os.close(fd)


def test_what_it_is(card: NestedCard) -> None:
    with Watchdog() as watchdog:
        ready = watchdog.exempt
        place = Path(f"/proc/{watchdog.process}")
        status = dict(line.split(":", 1) for line in (place / "status").read_text().splitlines())
        # All that it has is locked (proc(5)); a fresh page or two may be in between.
        locked, resident = (int(status[field].split()[0]) for field in ("VmLck", "VmRSS"))
        assert locked >= 0.9 * resident
        assert ready == ((place / "oom_score_adj").read_text().strip() == "-1000")
        assert os.getsid(watchdog.process) == watchdog.process
        assert os.getpriority(os.PRIO_PROCESS, watchdog.process) == -20
        assert [entry.resolve().name.partition(":")[0] for entry in (place / "fd").iterdir()] == ["socket"]
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(watchdog.process, number)
        with Freezer(file_systems_on(disk_of(card.device))) as freezer:
            with freezer.frozen(watchdog, 5.0) as freeze:
                pass
            assert not freeze.thawed_early
            # The mount points are let go of: what is not frozen can be unmounted.
        assert len(list((place / "fd").iterdir())) == 1
        gone = watchdog.process
    assert not Path(f"/proc/{gone}").exists()


def test_nothing_is_frozen_where_nobody_watches(card: NestedCard) -> None:
    with Watchdog() as watchdog, Freezer(file_systems_on(disk_of(card.device))) as freezer:
        with pytest.raises(WatchdogFailed), freezer.frozen(watchdog, 5.0):
            os.kill(watchdog.process, signal.SIGKILL)
        assert not is_frozen(card.inner)
        with pytest.raises(WatchdogFailed), freezer.frozen(watchdog, 5.0):
            pytest.fail("it was frozen with nobody watching")
        assert not is_frozen(card.inner)
        assert not is_frozen(card.outer)
        tool("fsfreeze", "--freeze", card.inner)  # EBUSY otherwise
        tool("fsfreeze", "--unfreeze", card.inner)
