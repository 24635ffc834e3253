"""Cards in use by the commands as people give them: the card that the system runs from, `paused`, and `thaw`."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import pytest

from backupctl.board.direct_reader import DirectReader
from backupctl.cli.places import state_folder
from backupctl.domain.errors import BackupctlError, Refused, UsageError
from backupctl.domain.policy import ImagePolicy
from backupctl.operations.capturing import paused as paused_reading
from backupctl.operations.capturing.own_card import own_card
from tests.card_images import take_out
from tests.program import Ended, backupctl
from tests.system.frozen_card import is_frozen, reap
from tests.system.live_board import BOARD, MIB, LiveBoard, live_board, shelf_of, take, writers
from tests.system.loop_device import tool
from tests.system.preening import preens
from tests.system.test_live_capture import databases_hold

pytestmark = pytest.mark.system


def test_the_card_that_this_system_runs_from() -> None:
    source = tool("findmnt", "--noheadings", "--output", "SOURCE", "/").strip()
    if not source.startswith("/dev/"):
        pytest.skip(f"/ is on {source}, which is no disk")
    listed = tool("lsblk", "--noheadings", "--inverse", "--list", "--output", "PATH,TYPE", source).splitlines()
    disks = [line.split()[0] for line in listed if line.split()[1] == "disk"]
    if len(disks) != 1:
        pytest.skip(f"/ is on {len(disks)} disks")
    assert [str(own_card())] == disks


def test_one_that_cannot_be_told_has_to_be_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "plan9")
    with pytest.raises(UsageError, match="which card"):
        own_card()


def paused(tmp_path: Path, board: LiveBoard, more: str) -> Ended:
    policy = tmp_path / "paused.toml"
    policy.write_text(f'[image]\nlive = "paused"\n{more}\n')
    shelf_of(tmp_path)
    words = ("--board", BOARD, "--source", board.device, "--policy", policy, "--json")
    return backupctl(tmp_path / "share", "capture", *words)


def test_paused(tmp_path: Path) -> None:
    with live_board(tmp_path, filled=8 * MIB) as board, writers(board.root, 7, "files", "database-wal"):
        taken = json.loads(paused(tmp_path, board, "max_freeze = 30").out)
        assert not is_frozen(board.root)
        reap()
        record = tmp_path / "share/boards" / BOARD / "captures" / taken["id"] / "record.json"
        assert json.loads(record.read_text())["source"]["live"] == "paused"
        assert 0 < taken["frozen_seconds"] < 30
        (event,) = (each for each in backupctl(tmp_path / "share", "runs", "--json").json if each["kind"] == "captured")
        assert event["body"]["frozen_seconds"] == taken["frozen_seconds"]
        image = tmp_path / "restored.img"
        backupctl(tmp_path / "share", "restore", "newest", image, "--board", BOARD)
        databases_hold(image, board)
        preens(take_out(image, board.volume, tmp_path / "volume.img"))


def test_paused_for_longer_than_is_allowed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read_into = DirectReader.read_into

    def slow(reader: DirectReader, offset: int, view: memoryview) -> None:
        time.sleep(0.5)
        read_into(reader, offset, view)

    with live_board(tmp_path, filled=8 * MIB) as board:
        with pytest.raises(Refused, match="would keep the board frozen for about"):
            take(board, image=ImagePolicy(live="paused", max_freeze=0))
        # Slower than the sample that was read to tell.
        monkeypatch.setattr(paused_reading, "_MARGIN", 0)
        monkeypatch.setattr(DirectReader, "read_into", slow)
        with pytest.raises(BackupctlError, match=f"{board.root} was thawed after 1 s, before all was read"):
            take(board, image=ImagePolicy(live="paused", max_freeze=1))
        assert not is_frozen(board.root)
        reap()
        assert backupctl(tmp_path / "share", "list", "--board", BOARD, "--json").json == []


def test_thaw(tmp_path: Path) -> None:
    with live_board(tmp_path, filled=MIB) as board:
        undo = state_folder() / "undo"
        undo.mkdir(parents=True, exist_ok=True)
        note = undo / "0-000-thaw.json"
        note.write_text(
            json.dumps({"process": 1 << 22 | 1, "command": ["touch", str(tmp_path / "undone")], "seconds": 5})
        )
        tool("fsfreeze", "--freeze", board.root)
        told = backupctl(None, "thaw", board.device).out.splitlines()
        assert told[0] == f"thawed: {board.root}"
        assert any(note.name in line for line in told[1:])
        assert (tmp_path / "undone").exists()
        assert not note.exists()
        assert not is_frozen(board.root)
        reap()
        again = backupctl(None, "thaw", board.device, "--json").json
        assert (again["card"], again["thawed"]) == (board.device, [])
