"""What a policy says of a card in use, as people give it: a file that is named on the command line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from backupctl.board import mounted as mounted_file_systems
from backupctl.domain.errors import BackupctlError, Exit, Refused
from backupctl.domain.policy import HooksPolicy, ImagePolicy, Policy
from backupctl.operations.capturing import paused as paused_reading
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.capturing.intake import Intake
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from tests.card_images import take_out
from tests.program import Ended, backupctl, command, environment
from tests.system.frozen_card import is_frozen, reap
from tests.system.live_board import BOARD, MIB, ROOT, LiveBoard, live_board, shelf_of
from tests.system.loop_device import need, partition, tool

pytestmark = pytest.mark.system


class Place:
    """A board in use, a policy for it, and a log that its commands write to."""

    def __init__(self, board: LiveBoard, folder: Path) -> None:
        self.board = board
        self.share = shelf_of(folder).share_folder
        self.log = folder / "log"
        self.policy = folder / "policy.toml"

    def says(self, word: str, then: str = "true") -> str:
        """A command that writes a word to the log, as a value of TOML."""
        return json.dumps(["sh", "-c", f"echo {word} >>{self.log}; {then}"])

    def said(self) -> list[str]:
        return self.log.read_text().split() if self.log.exists() else []

    def run(self, wanted: str, policy: str, code: int | None, *more: str) -> Ended:
        self.policy.write_text(policy)
        words = ("--board", BOARD, "--source", self.board.device, "--policy", str(self.policy), "--json", *more)
        return backupctl(self.share, wanted, *words, code=code)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    with live_board(tmp_path, filled=MIB) as board:
        found = Place(board, tmp_path)
        programs = tmp_path / "programs"
        programs.mkdir()
        manager = programs / "systemctl"  # in place of systemd's
        manager.write_text(f'#!/bin/sh\necho "$1:$2" >>{found.log}\n')
        manager.chmod(0o755)
        monkeypatch.setenv("PATH", f"{programs}:{os.environ['PATH']}")
        yield found


@pytest.mark.parametrize("live", ["tracked", "paused"])
def test_commands_and_services_around_the_freeze(place: Place, live: str) -> None:
    policy = f"""
        [image]
        live = "{live}"
        max_freeze = 30
        [hooks]
        only_when = {place.says("asked")}
        before = {place.says("before", f"touch {place.board.root}/flushed")}
        after = {place.says("after", f"touch {place.board.root}/thawed")}
        stop = ["readings", "web"]
    """
    taken = place.run("capture", policy, Exit.DONE).json
    around = ["stop:readings", "stop:web", "before", "after", "start:web", "start:readings"]
    assert place.said() == ["asked", *around]
    image = place.board.folder / "image"
    backupctl(place.share, "restore", taken["id"], image, "--board", BOARD)
    listed = tool("debugfs", "-R", "ls -p /", take_out(image, place.board.volume, place.board.folder / "root.img"))
    assert "/flushed/" in listed
    assert "/thawed/" not in listed


def test_a_command_that_takes_too_long(place: Place) -> None:
    policy = f'[hooks]\nbefore = ["sleep", "60"]\nafter = {place.says("after")}\ndeadline = 1\n'
    began = time.monotonic()
    ended = place.run("capture", policy, Exit.FAILED)
    assert "sleep was not done after 1 s" in ended.err
    assert time.monotonic() - began < 30
    assert place.said() == ["after"]


# The worker is the parent of its hook; the supervisor is the worker's. One that is killed undoes nothing any more.
KILLS = {"worker": "kill -9 $PPID", "both": "kill -9 $(ps -o ppid= $PPID) $PPID"}


# What a machine keeps, of this test alone: other runs on this machine undo what those that were killed have left.
ALONE = 'mkdir -p "$0" /var/lib/backupctl && mount --bind "$0" /var/lib/backupctl && exec "$@"'


@pytest.mark.parametrize("killed", KILLS)
def test_after_is_run_when_the_capture_is_killed(place: Place, tmp_path: Path, killed: str) -> None:
    need("unshare", "mount")

    def taken(policy: str) -> int:
        place.policy.write_text(policy)
        words = command("capture", "--board", BOARD, "--source", place.board.device, "--policy", place.policy)
        alone = ["unshare", "--mount", "sh", "-c", ALONE, str(tmp_path / "kept"), *words]
        return subprocess.run(
            alone, env=environment(place.share), cwd=ROOT, capture_output=True, check=False, timeout=60
        ).returncode

    undone = ["after", "start:web"]
    code = taken(
        f'[hooks]\nstop = ["web"]\nbefore = {place.says("before", KILLS[killed])}\nafter = {place.says("after")}\n'
    )
    if killed == "worker":
        assert code == Exit.PROGRAM_ERROR
        assert place.said() == ["stop:web", "before", *undone]
        return
    assert code == -signal.SIGKILL
    assert place.said() == ["stop:web", "before"]
    # The next run does it first, whatever its policy.
    assert taken(f"[hooks]\nbefore = {place.says('next')}\n") in (Exit.DONE, Exit.WARNINGS)
    assert place.said() == ["stop:web", "before", *undone, "next"]


def test_a_night_is_put_off_as_a_whole(place: Place) -> None:
    night = "[night]\nverify_nights = 1\n"
    assert place.run("night", night, None).json["capture"]["state"] == "good"
    put_off = place.run("night", f"{night}[hooks]\nonly_when = {place.says('asked', 'exit 3')}\n", Exit.POSTPONED).json
    assert [(step["name"], step["result"]) for step in put_off["steps"]] == [
        ("share", "done"), ("room", "done"), ("capture", "put off"),
        ("verify", "not run"), ("thin", "not run"), ("drill", "not run"),
    ]  # fmt: skip
    assert place.said() == ["asked"]
    assert [event["kind"] for event in backupctl(place.share, "runs", "--json").json if event["kind"] == "failed"] == []


@pytest.mark.parametrize(
    ("only_when", "said"),
    [('["sleep", "60"]', "sleep was not done after 1 s"), ('["no-such-program"]', "no-such-program is not installed")],
)
def test_what_cannot_tell_whether_now_is_the_time_is_a_failure(place: Place, only_when: str, said: str) -> None:
    ended = place.run("capture", f"[hooks]\nonly_when = {only_when}\ndeadline = 1\n", Exit.FAILED)
    assert said in ended.err


# Of cards that are paused. An ext2 stands for FAT, which not every kernel here has: nobody freezes it here.


@contextmanager
def boot_partition(place: Place, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Its device. Nothing is mounted yet."""
    monkeypatch.setattr(mounted_file_systems, "_FREEZABLE", frozenset({"ext4"}))
    volume = place.board.card.volume("fat")
    with partition(place.board.device, 1, volume.start, volume.size) as device:
        tool("mke2fs", "-q", "-F", "-t", "ext2", device)
        yield device


def take_paused(place: Place, folder: Path, before: tuple[str, ...] = ()) -> None:
    policy = Policy(image=ImagePolicy(live="paused", max_freeze=30), hooks=HooksPolicy(before=before))
    options = CaptureOptions(Path(place.board.device), policy)
    capture(shelf_of(folder), options, this_machine(folder / "state"), Quiet(), Stop())


def options_of(at: Path) -> str:
    return tool("findmnt", "--noheadings", "--output", "FS-OPTIONS", at).split(",")[0].strip()


@pytest.mark.parametrize("mounting", ["before the capture", "by its hook"])
def test_what_cannot_be_frozen_is_read_only_while_it_is_paused(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mounting: str
) -> None:
    boot = tmp_path / "boot"
    boot.mkdir()
    taking, seen = Intake.take, []

    def watched(intake: Intake, *given: Any) -> None:
        seen.append((options_of(boot), is_frozen(place.board.root)))
        taking(intake, *given)

    monkeypatch.setattr(Intake, "take", watched)
    with boot_partition(place, monkeypatch) as device:
        mount = ("mount", "-t", "ext2", device, str(boot))
        if mounting == "before the capture":
            tool(*mount)
        try:
            take_paused(place, tmp_path, mount if mounting == "by its hook" else ())
            assert seen == [("ro", True)]
            assert options_of(boot) == "rw"
        finally:
            reap()
            tool("umount", boot)


def test_nothing_is_stopped_for_what_takes_too_long(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paused_reading, "_MARGIN", 1e9)
    with pytest.raises(Refused, match="would keep the board frozen for about"):
        take_paused(place, tmp_path, ("touch", str(place.log)))
    assert not place.log.exists()


def test_what_is_mounted_while_it_is_paused(place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boot = tmp_path / "boot"
    boot.mkdir()
    taking = Intake.take

    def meddled(intake: Intake, *given: Any) -> None:
        tool("mount", "-t", "ext2", device, boot)
        taking(intake, *given)

    monkeypatch.setattr(Intake, "take", meddled)
    with boot_partition(place, monkeypatch) as device:
        try:
            with pytest.raises(BackupctlError, match="was mounted, unmounted or made writable while the card was read"):
                take_paused(place, tmp_path)
        finally:
            tool("umount", boot)
    assert backupctl(place.share, "list", "--board", BOARD, "--json").json == []
