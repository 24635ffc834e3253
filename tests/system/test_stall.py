"""A worker that waits for a share which does not answer is given up in time; one that works for long is not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.host import born
from backupctl.cli import supervisor
from backupctl.cli.view import View
from backupctl.domain.errors import Exit
from backupctl.operations.capturing.undoing import Undoing
from backupctl.operations.facts import Facts
from backupctl.operations.kept_events import kept
from backupctl.operations.progress import Quiet, Step
from backupctl.operations.session import hold
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import Shelf, adopt_share, make_shelf
from tests.system.hung_share import hung_share

pytestmark = pytest.mark.system

STALL = 3.0


@pytest.fixture
def hung(tmp_path: Path) -> Iterator[Path]:
    with hung_share(tmp_path / "nas") as folder:
        yield folder


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where this machine keeps what it remembers."""
    monkeypatch.setattr(supervisor, "state_folder", lambda: tmp_path / "state")
    monkeypatch.setattr(supervisor, "_GONE_SECONDS", 1.0)
    return tmp_path / "state"


def supervised(task: Callable[[Any, Any], dict[str, Any]]) -> tuple[dict[str, Any] | None, Exit]:
    return supervisor.run(task, View(), STALL)


def test_a_worker_that_cannot_be_killed_is_left_behind(
    hung: Path, state: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        reporter.step(Step("writing to the share", 0, 0))
        (hung / "part").write_bytes(b"x")
        return {}

    began = time.monotonic()
    assert supervised(task) == (None, Exit.STALLED)
    assert STALL <= time.monotonic() - began < STALL + 15
    said = capfd.readouterr().err
    assert "no progress for" in said
    assert "writing to the share" in said
    assert "The kernel still holds the process" in said


def test_one_that_has_told_its_result_and_does_not_end_is_left_behind(state: Path) -> None:
    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        # What a process has open is closed after it has said all.
        leave = os._exit

        def stands_still(code: int) -> None:
            time.sleep(15)
            leave(code)

        os._exit = stands_still  # type: ignore[assignment]
        return {"done": True}

    began = time.monotonic()
    assert supervised(task) == ({"done": True}, Exit.DONE)
    assert time.monotonic() - began < 10


def test_one_that_is_stopped_is_ended(state: Path, capfd: pytest.CaptureFixture[str]) -> None:
    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        os.kill(os.getpid(), signal.SIGSTOP)
        return {}

    assert supervised(task) == (None, Exit.STALLED)
    assert "still holds" not in capfd.readouterr().err


def computes(_: Any, __: Any) -> dict[str, Any]:
    until = time.monotonic() + 2 * STALL
    while time.monotonic() < until:
        pass
    return {"done": True}


def has_a_child_compute(_: Any, __: Any) -> dict[str, Any]:
    program = f"import time\nuntil = time.monotonic() + {2 * STALL}\nwhile time.monotonic() < until: pass"
    subprocess.run([sys.executable, "-c", program], check=True)
    return {"done": True}


def reads_slowly(_: Any, __: Any) -> dict[str, Any]:
    with open("/dev/zero", "rb", buffering=0) as file:
        for _ in range(int(2 * STALL)):
            file.read(1)
            time.sleep(1)
    return {"done": True}


def tells(reporter: Any, _: Any) -> dict[str, Any]:
    for count in range(int(2 * STALL)):
        reporter.note(f"{count}")
        time.sleep(1)
    return {"done": True}


@pytest.mark.parametrize("task", [computes, has_a_child_compute, reads_slowly, tells])
def test_whoever_works_for_long_is_left_alone(task: Callable[[Any, Any], dict[str, Any]], state: Path) -> None:
    assert supervised(task) == ({"done": True}, Exit.DONE)


def test_waiting_for_a_worker_that_was_asked_to_stop(hung: Path, state: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "_STOP_SECONDS", 2.0)
    monkeypatch.setattr(supervisor, "_LOOK_SECONDS", 0.2)

    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        time.sleep(0.5)  # until the supervisor listens
        os.kill(os.getppid(), signal.SIGTERM)
        (hung / "part").write_bytes(b"x")
        return {}

    began = time.monotonic()
    assert supervisor.run(task, View(), 600) == (None, Exit.STALLED)
    assert time.monotonic() - began < 20


def test_a_process_that_was_killed_and_stays_counts_as_gone(tmp_path: Path) -> None:
    with hung_share(tmp_path / "nas") as hung:
        waiting = subprocess.Popen(["cat", hung / "part"], stderr=subprocess.DEVNULL)
        until = time.monotonic() + 20
        while Path(f"/proc/{waiting.pid}/wchan").read_text() != "request_wait_answer":
            assert time.monotonic() < until
            time.sleep(0.1)
        time.sleep(0.5)
        assert born(waiting.pid) is not None
        waiting.kill()
        time.sleep(0.5)
        assert waiting.poll() is None
        assert Path(f"/proc/{waiting.pid}").exists()
        assert born(waiting.pid) is None
    waiting.wait(10)


def shelf_of(folder: Path) -> Shelf:
    made = "2026-12-01T02:00:00+01:00"
    folder.mkdir()
    adopt_share(folder, True, made)
    return make_shelf(folder, "greenhouse", "xxh3-128", made)


def facts(state: Path) -> Facts:
    return Facts("greenhouse", "0" * 32, "one boot", "Europe/Berlin", True, state)


def test_the_next_run_is_not_blocked_and_tells_what_happened(hung: Path, state: Path, tmp_path: Path) -> None:
    """The lock is on a share that works, so that the next run can look."""
    shelf = shelf_of(tmp_path / "share")

    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        with hold(shelf, facts(state), reporter, "capture of /dev/sdb", stop=stop):
            Undoing(state, reporter, 10).do([], ["touch", str(tmp_path / "started again")])
            (hung / "part").write_bytes(b"x")
        return {}

    assert supervised(task) == (None, Exit.STALLED)
    assert (tmp_path / "started again").exists()  # what was stopped for the capture
    assert len(kept(state, shelf.mark.id)) == 1
    began = time.monotonic()
    with hold(shelf, facts(state), Quiet(), "thinning"):
        assert time.monotonic() - began < 5  # nobody waits for the beats of a dead run
    events = [event for event in read_manifest(shelf.storage).events if event.kind in ("took-over", "failed")]
    assert [event.kind for event in events] == ["took-over", "failed"]
    assert events[1].body["what"] == "capture"
    assert events[1].body["exit"] == 8
    assert "no progress" in events[1].body["cause"]
    assert kept(state, shelf.mark.id) == []


def test_a_run_that_has_ended_is_not_told_of(hung: Path, state: Path, tmp_path: Path) -> None:
    shelf = shelf_of(tmp_path / "share")

    def task(reporter: Any, stop: Any) -> dict[str, Any]:
        with hold(shelf, facts(state), reporter, "thinning", stop=stop):
            pass
        (hung / "part").write_bytes(b"x")
        return {}

    assert supervised(task) == (None, Exit.STALLED)
    assert kept(state, shelf.mark.id) == []
