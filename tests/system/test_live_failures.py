"""What goes wrong while a card in use is captured: a clear failure, or a good capture later; never a torn one."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from typing import NoReturn

import pytest

from backupctl.board import write_tracking
from backupctl.board.process import ProgramFailed
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.errors import BackupctlError, Exit, Refused
from backupctl.domain.policy import ImagePolicy
from backupctl.operations.capturing import live, live_card
from tests.card_images import take_out
from tests.program import backupctl, command, environment
from tests.system.frozen_card import is_frozen, reap
from tests.system.live_board import (
    BOARD,
    MIB,
    ROOT,
    Oracle,
    differing,
    live_board,
    shelf_of,
    take,
    writers,
)
from tests.system.loop_device import need, tool

pytestmark = pytest.mark.system

# 4000 pages here and there, past the cache, while nobody takes over what the kernel records of them.
STORM = """
import mmap, os, sys
fd = os.open(sys.argv[1], os.O_RDWR | os.O_DIRECT)
with mmap.mmap(-1, 4096) as page:
    for number in range(4000):
        os.pwrite(fd, page, number * 7919 % 4000 * 8192)
"""


def captures(folder: Path) -> list[object]:
    listed: list[object] = backupctl(folder / "share", "list", "--board", BOARD, "--json").json
    return listed


def test_lost_events_are_no_capture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_card, "WriteTracker", partial(WriteTracker, buffer_kib=16))
    with live_board(tmp_path) as board:
        before = (sys.executable, "-c", STORM, str(board.root / "noise"))
        with pytest.raises(BackupctlError, match=r"the kernel could not tell of \d+ writes"):
            take(board, before=before)
        assert captures(tmp_path) == []
        monkeypatch.undo()
        assert take(board, before=before).record["state"] == "good"


class Slow(Oracle):
    """Takes longer than the watchdog waits, the first `slow` times."""

    slow = 1

    def __call__(self) -> None:
        if self.calls < self.slow:
            time.sleep(1.5)
        super().__call__()


def test_thawed_too_early_it_is_tried_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with live_board(tmp_path) as board, writers(board.root, 1, "files", "counters"):
        oracle = Slow(board)
        taken = take(board, oracle, ImagePolicy(max_freeze=1))
        assert oracle.calls == taken.record["source"]["freezes"] == 2
        # Noticed by itself, though here it is followed by writes that would be noticed as well.
        assert f"{board.root} was thawed before all was read; trying again" in capsys.readouterr().out
        assert not differing(taken, oracle)


def test_thawed_too_early_each_time_it_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_ATTEMPTS", 2)
    with live_board(tmp_path, filled=8 * MIB) as board:
        oracle = Slow(board)
        oracle.slow = 2
        with pytest.raises(BackupctlError, match="the card was frozen 2 times, and each time it was not still"):
            take(board, oracle, ImagePolicy(max_freeze=1))
        assert captures(tmp_path) == []
        assert not is_frozen(board.root)
        reap()


def test_more_is_written_than_fits(tmp_path: Path) -> None:
    """Memory for one segment: it fails, or what it calls good is as it was."""
    with live_board(tmp_path, filled=8 * MIB) as board, writers(board.root, 2, "files", "direct", "database-wal"):
        oracle = Oracle(board)
        try:
            taken = take(board, oracle, ImagePolicy(max_freeze=30, freeze_memory=256 << 10, max_rounds=2))
        except BackupctlError as error:
            assert "each time it was not still, or more had to be read than fits" in error.cause
            assert captures(tmp_path) == []
        else:
            assert not differing(taken, oracle)


def test_without_tracefs_it_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(words: list[str], seconds: float) -> NoReturn:
        raise ProgramFailed("mount failed", "")

    monkeypatch.setattr(write_tracking, "read_mounts", tuple)
    monkeypatch.setattr(write_tracking, "run", failing)
    with (
        live_board(tmp_path, filled=MIB) as board,
        pytest.raises(Refused, match="the kernel's tracing is not to be had: mount failed"),
    ):
        take(board)


def test_a_policy_that_refuses_cards_in_use(tmp_path: Path) -> None:
    (tmp_path / "policy.toml").write_text('[image]\nlive = "refuse"\n')
    with live_board(tmp_path, filled=MIB) as board:
        shelf_of(tmp_path)
        words = ("--source", board.device, "--policy", tmp_path / "policy.toml")
        ended = backupctl(tmp_path / "share", "capture", "--board", BOARD, *words, code=Exit.REFUSED)
        assert "The policy refuses cards in use" in ended.err
        assert captures(tmp_path) == []


def test_a_part_of_the_card_is_no_card(tmp_path: Path) -> None:
    with live_board(tmp_path, filled=MIB) as board:
        shelf_of(tmp_path)
        words = ("capture", "--board", BOARD, "--source", f"{board.device}p2")
        ended = backupctl(tmp_path / "share", *words, code=Exit.REFUSED)
        assert f"{board.device}p2 is a part of {board.device}" in ended.err


def test_now_is_not_the_time(tmp_path: Path) -> None:
    (tmp_path / "policy.toml").write_text('[hooks]\nonly_when = ["false"]\n')
    with live_board(tmp_path, filled=MIB) as board:
        share = shelf_of(tmp_path).share_folder
        before = sorted(share.rglob("*"))
        words = ("--source", board.device, "--policy", tmp_path / "policy.toml")
        ended = backupctl(share, "capture", "--board", BOARD, *words, code=Exit.POSTPONED)
        assert "false says that now is not the time" in ended.err
        assert sorted(share.rglob("*")) == before


def test_a_namespace_that_does_not_see_the_mount(tmp_path: Path) -> None:
    need("unshare", "umount")
    with live_board(tmp_path) as board, writers(board.root, 3, "files", "database-wal", "deleted"):
        shelf_of(tmp_path)
        words = ["capture", "--board", BOARD, "--source", board.device, "--json"]
        script = f"umount '{board.root}' && ! grep -q '{board.root}' /proc/self/mounts && exec \"$0\" \"$@\""
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", script, sys.executable, "-m", "backupctl", *words],
            env={"PATH": "/usr/sbin:/usr/bin", "BACKUPCTL_SHARE": str(tmp_path / "share"), "HOME": str(tmp_path)},
            cwd=ROOT, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        assert done.returncode in (Exit.DONE, Exit.WARNINGS), done.stderr
        (path,) = (tmp_path / "share").glob("boards/*/captures/*/record.json")
        record = json.loads(path.read_text())
        assert record["source"]["live"] == "tracked"
        assert record["frozen_seconds"] > 0
        backupctl(tmp_path / "share", "restore", "--board", BOARD, record["id"], tmp_path / "restored.img")
        volume = take_out(tmp_path / "restored.img", board.volume, tmp_path / "volume.img")
        subprocess.run(["e2fsck", "-p", str(volume)], capture_output=True, check=False)  # for orphans
        tool("e2fsck", "-fn", volume)


def test_a_container_whose_watchdog_may_be_ended(tmp_path: Path) -> None:
    need("setpriv")
    with live_board(tmp_path, filled=MIB) as board:
        shelf_of(tmp_path)
        words = command("preflight", "--board", BOARD, "--source", board.device, "--json")
        done = subprocess.run(
            ["setpriv", "--bounding-set", "-sys_resource", *words], env=environment(tmp_path / "share"), cwd=ROOT,
            capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        (found,) = (check for check in json.loads(done.stdout)["checks"] if check["name"] == "watchdog")
        assert (found["result"], done.returncode) == ("warning", Exit.WARNINGS)


# A capture that hangs: in the first round, or in the instant.
HANGING = """
import sys, time
from pathlib import Path
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.shelf import open_shelf

folder, board, device, where = Path(sys.argv[1]), *sys.argv[2:]

def hang():
    print("hanging", flush=True)
    time.sleep(60)

class Hanging(Quiet):
    def step(self, step):
        if where == "midway" and step.written:
            hang()

options = CaptureOptions(Path(device), Policy(), while_frozen=hang)
capture(open_shelf(folder / "share", board), options, this_machine(folder / "state"), Hanging(), Stop())
"""


@pytest.mark.parametrize("where", ["midway", "frozen"])
def test_killed_and_taken_anew(tmp_path: Path, where: str) -> None:
    with live_board(tmp_path) as board, writers(board.root, 4, "files", "counters"):
        shelf_of(tmp_path)
        words = [sys.executable, "-B", "-c", HANGING, str(tmp_path), BOARD, board.device, where]
        with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE) as killed:
            try:
                assert killed.stdout and killed.stdout.readline() == b"hanging\n"
                assert is_frozen(board.root) == (where == "frozen")
            finally:
                killed.kill()
        deadline = time.monotonic() + 5  # the policy's max_freeze is 2 s
        while is_frozen(board.root):
            assert time.monotonic() < deadline
        reap()
        assert captures(tmp_path) == []
        oracle = Oracle(board)
        assert not differing(take(board, oracle), oracle)
