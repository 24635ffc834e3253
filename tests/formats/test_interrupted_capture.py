"""A capture that is stopped or killed: the shelf stays whole, and the next capture goes on from what was written."""

from __future__ import annotations

import filecmp
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.program import backupctl, command, environment
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


@pytest.fixture
def fresh(whole: Made, tmp_path: Path) -> Made:
    """A share without a capture, for the same card."""
    share = tmp_path / "share"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    return Made(share, whole.card, ("", ""), whole.states)


def stock_bytes(made: Made) -> int:
    return sum(path.stat().st_size for path in (made.shelf / "stock").iterdir())


def start_slow(made: Made, folder: Path) -> subprocess.Popen[str]:
    """A capture at a pace that leaves time for a signal; it has written something when this returns."""
    policy = folder / "slow.toml"
    policy.write_text('[pace]\nrate = "4 MB"\n[store]\nsync_every = "1 MiB"\n')
    words = command("capture", "--board", "shed", "--source", made.card, "--policy", policy, "--json")
    child = subprocess.Popen(
        words, env=environment(made.share), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, start_new_session=True,
    )  # fmt: skip
    until = time.monotonic() + 30
    while stock_bytes(made) < 3 << 20:
        assert child.poll() is None and time.monotonic() < until, child.communicate()
        time.sleep(0.02)
    return child


def worker_of(child: subprocess.Popen[str]) -> int:
    """proc(5), task/TID/children."""
    return int(Path(f"/proc/{child.pid}/task/{child.pid}/children").read_text().split()[0])


def wait_until_gone(process: int) -> None:
    """Or until only its number is left (Z, proc(5)): not every container has an init that waits for orphans."""
    until = time.monotonic() + 30
    stat = Path(f"/proc/{process}/stat")
    while stat.exists() and stat.read_text().rpartition(")")[2].split()[0] != "Z":
        assert time.monotonic() < until
        time.sleep(0.02)


def assert_goes_on(made: Made, already: int, tmp_path: Path, events: list[str]) -> None:
    """The next capture finds what was written, needs less, and gives the card back."""
    assert already > 2 << 20
    said = json.loads(backupctl(made.share, "runs", "--json").out)
    assert [event["kind"] for event in said] == events
    assert backupctl(made.share, "list", "--json").json == []
    taken = backupctl(made.share, "capture", "--board", "shed", "--source", made.card, "--json", code=None)
    assert taken.code in (0, 4), taken
    fresh_share = tmp_path / "other"
    fresh_share.mkdir()
    backupctl(None, "share", "adopt", fresh_share, "--same-machine", "--board", "shed")
    alone = backupctl(fresh_share, "capture", "--board", "shed", "--source", made.card, "--json").json
    assert taken.json["written_bytes"] < alone["written_bytes"] - already / 2
    backupctl(made.share, "verify")
    backupctl(made.share, "restore", "newest", tmp_path / "out.img")
    assert filecmp.cmp(tmp_path / "out.img", made.states[1], shallow=False)
    assert list((made.shelf / "unfinished").iterdir()) == []
    shutil.rmtree(fresh_share)


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_a_signal_stops_it_cleanly(number: signal.Signals, code: int, fresh: Made, tmp_path: Path) -> None:
    child = start_slow(fresh, tmp_path)
    os.kill(child.pid, number)
    _, err = child.communicate(timeout=30)
    assert child.returncode == code, err
    assert "Traceback" not in err
    lock = json.loads(sorted((fresh.shelf / "busy").iterdir())[-1].read_text())
    assert lock["released"] is True
    assert len(list((fresh.shelf / "unfinished").iterdir())) == 1
    assert_goes_on(fresh, stock_bytes(fresh), tmp_path, ["interrupted"])


def test_control_c_reaches_both_processes_and_still_stops_it_cleanly(fresh: Made, tmp_path: Path) -> None:
    child = start_slow(fresh, tmp_path)
    os.killpg(child.pid, signal.SIGINT)
    _, err = child.communicate(timeout=30)
    assert child.returncode == 130, err
    assert_goes_on(fresh, stock_bytes(fresh), tmp_path, ["interrupted"])


def kill_worker(child: subprocess.Popen[str]) -> None:
    os.kill(worker_of(child), signal.SIGKILL)


def kill_both(child: subprocess.Popen[str]) -> None:
    worker = worker_of(child)
    os.kill(worker, signal.SIGSTOP)
    child.kill()
    os.kill(worker, signal.SIGKILL)
    wait_until_gone(worker)


@pytest.mark.parametrize("kill", [kill_worker, kill_both])
def test_being_killed_leaves_a_shelf_that_works(
    kill: Callable[[subprocess.Popen[str]], None], fresh: Made, tmp_path: Path
) -> None:
    child = start_slow(fresh, tmp_path)
    kill(child)
    _, err = child.communicate(timeout=30)
    assert child.returncode != 0
    if kill is kill_worker:
        assert child.returncode == 70
        assert "worker" in err
    # The lock of a process that is gone is stale at once: nobody waits for its beats, which would take a minute.
    before = time.monotonic()
    assert_goes_on(fresh, stock_bytes(fresh), tmp_path, [])
    assert time.monotonic() - before < 55
    assert "took-over" in [event["kind"] for event in backupctl(fresh.share, "runs", "--json").json]


def test_a_worker_whose_supervisor_was_killed_stops_by_itself(fresh: Made, tmp_path: Path) -> None:
    child = start_slow(fresh, tmp_path)
    worker = worker_of(child)
    child.kill()
    child.communicate(timeout=30)
    wait_until_gone(worker)
    assert_goes_on(fresh, stock_bytes(fresh), tmp_path, ["interrupted"])


def test_two_captures_at_once_do_not_meet(fresh: Made, tmp_path: Path) -> None:
    child = start_slow(fresh, tmp_path)
    ended = backupctl(fresh.share, "capture", "--board", "shed", "--source", fresh.card, code=6)
    assert "at work" in ended.err
    child.terminate()
    child.communicate(timeout=30)
    assert child.returncode == 143
