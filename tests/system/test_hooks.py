"""The owner's commands around a capture: run in order, undone whatever happens."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError, Exit, Postponed
from backupctl.domain.policy import HooksPolicy
from backupctl.operations.capturing.hooks import check_only_when, quieted
from backupctl.operations.capturing.undoing import Undoing, undo_left_over
from backupctl.operations.progress import Quiet

pytestmark = pytest.mark.system


def said(log: Path) -> list[str]:
    return log.read_text().split() if log.exists() else []


def say(log: Path, word: str) -> tuple[str, ...]:
    return ("sh", "-c", f"echo {word} >> {log}")


def test_before_and_after(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with quieted(HooksPolicy(before=say(log, "before"), after=say(log, "after")), tmp_path, Quiet()):
        assert said(log) == ["before"]
    assert said(log) == ["before", "after"]
    assert not list((tmp_path / "undo").iterdir())


def test_after_runs_when_the_capture_fails(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with pytest.raises(ZeroDivisionError), quieted(HooksPolicy(after=say(log, "after")), tmp_path, Quiet()):
        raise ZeroDivisionError
    assert said(log) == ["after"]


def test_after_runs_when_before_fails(tmp_path: Path) -> None:
    log = tmp_path / "log"
    policy = HooksPolicy(before=("false",), after=say(log, "after"))
    with pytest.raises(BackupctlError), quieted(policy, tmp_path, Quiet()):
        pytest.fail("the capture went on")
    assert said(log) == ["after"]


def test_a_command_has_a_deadline(tmp_path: Path) -> None:
    log = tmp_path / "log"
    policy = HooksPolicy(before=("sleep", "60"), after=say(log, "after"), deadline=1)
    began = time.monotonic()
    with pytest.raises(BackupctlError), quieted(policy, tmp_path, Quiet()):
        pytest.fail("the capture went on")
    assert time.monotonic() - began < 15
    assert said(log) == ["after"]


def test_put_off() -> None:
    check_only_when(HooksPolicy(only_when=("true",)))
    with pytest.raises(Postponed) as caught:
        check_only_when(HooksPolicy(only_when=("false",)))
    assert caught.value.exit_code == Exit.POSTPONED


def test_what_a_killed_run_left_is_undone_once(tmp_path: Path) -> None:
    log = tmp_path / "log"
    program = textwrap.dedent(f"""
        import pathlib, time
        from backupctl.domain.policy import HooksPolicy
        from backupctl.operations.capturing.hooks import quieted
        from backupctl.operations.progress import Quiet
        policy = HooksPolicy(before={say(log, "before")!r}, after={say(log, "after")!r})
        with quieted(policy, pathlib.Path({str(tmp_path)!r}), Quiet()):
            print("in", flush=True)
            time.sleep(60)
    """)
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "in\n"
        assert undo_left_over(tmp_path) == []  # it is still at work
        (note,) = (tmp_path / "undo").iterdir()
        assert json.loads(note.read_text())["process"] == process.pid
        process.send_signal(signal.SIGKILL)
    assert said(log) == ["before"]
    assert len(undo_left_over(tmp_path)) == 1
    assert said(log) == ["before", "after"]
    assert undo_left_over(tmp_path) == []


def test_another_process_with_the_number_of_one_that_was_killed(tmp_path: Path) -> None:
    log = tmp_path / "log"
    Undoing(tmp_path, Quiet(), 10).do((), say(log, "undone"))
    (note,) = (tmp_path / "undo").iterdir()
    with subprocess.Popen(["sleep", "60"]) as other:
        note.write_text(json.dumps(json.loads(note.read_text()) | {"process": other.pid}))
        assert len(undo_left_over(tmp_path)) == 1
        other.kill()
    assert said(log) == ["undone"]


def test_a_note_that_makes_no_sense_is_told_of_and_goes(tmp_path: Path) -> None:
    folder = tmp_path / "undo"
    folder.mkdir()
    (folder / "1-000-00000000.json").write_text("{")
    (told,) = undo_left_over(tmp_path)
    assert "could not be undone" in told


def test_last_done_is_undone_first(tmp_path: Path) -> None:
    log = tmp_path / "log"
    undoing = Undoing(tmp_path, Quiet(), 10)
    undoing.do(say(log, "one"), say(log, "undo-one"))
    undoing.do(say(log, "two"), say(log, "undo-two"))
    assert undoing.undo() == []
    assert said(log) == ["one", "two", "undo-two", "undo-one"]
    assert os.listdir(tmp_path / "undo") == []  # noqa: PTH208 - names are what is wanted
