"""What changes about a card while it is captured: file systems come and go, become writable, or it begins to fail."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from functools import partial
from pathlib import Path

import pytest

from backupctl.board import freezing
from backupctl.board.direct_reader import DirectReader
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.errors import BackupctlError
from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing import live_card
from backupctl.operations.capturing.live_card import LiveCard
from tests.system.frozen_card import sparse, wait_until_detached
from tests.system.live_board import MIB, LiveBoard, Oracle, differing, files_in, live_board, take
from tests.system.loop_device import attached, mounted, need, tool
from tests.system.preening import preens
from tests.system.test_live_capture import marking
from tests.system.test_live_failures import STORM

pytestmark = pytest.mark.system

MOUNT_AND_WRITE = """
mountpoint -q {place} || mount {loop} {place}
head -c 100000 /dev/urandom >{place}/written
"""


@pytest.mark.parametrize("looked", ["before the freeze", "after it"])
def test_a_file_system_that_is_mounted_midway(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, looked: str) -> None:
    """It is frozen with the others: what is written to it is either all in the image or not at all."""
    looks = []

    def look(card: LiveCard) -> bool:
        looks.append(card)
        # Once, it comes just after the look.
        return False if looked == "after it" and len(looks) == 1 else LiveCard_look_again(card)

    LiveCard_look_again = LiveCard.look_again  # noqa: N806
    monkeypatch.setattr(LiveCard, "look_again", look)
    with live_board(tmp_path, filled=8 * MIB) as board:
        place = tmp_path / "inner"
        place.mkdir()
        with attached(sparse(board.root / "inside.img", 24 * MIB)) as loop:
            tool("mke2fs", "-q", "-t", "ext4", loop)
            oracle = Oracle(board)
            before = MOUNT_AND_WRITE.format(loop=loop, place=place)
            try:
                taken = take(board, oracle, before=("sh", "-ec", before))
            finally:
                tool("umount", place)
        wait_until_detached(loop)
        assert taken.record["source"]["freezes"] == oracle.calls == (1 if looked == "before the freeze" else 2)
        assert not differing(taken, oracle)
        inside = files_in(taken.image, board, ["inside.img"], tmp_path / "inside") / "inside.img"
        assert "needs_recovery" not in tool("dumpe2fs", "-h", inside)
        preens(inside)


def test_one_that_is_unmounted_midway(tmp_path: Path) -> None:
    """Though this program holds its mount point open: it goes when it is let go of, before the freeze."""
    with live_board(tmp_path, filled=8 * MIB) as board:
        with attached(sparse(board.root / "inside.img", 24 * MIB)) as loop:
            tool("mke2fs", "-q", "-t", "ext4", loop)
            with mounted(loop, tmp_path / "inner") as place:
                (place / "written").write_bytes(os.urandom(MIB))
                oracle = Oracle(board)
                taken = take(board, oracle, before=("umount", "--lazy", str(place)))
                tool("mount", loop, place)
        wait_until_detached(loop)
        assert taken.record["source"]["freezes"] == 1
        assert not differing(taken, oracle)
        preens(files_in(taken.image, board, ["inside.img"], tmp_path / "inside") / "inside.img")


def test_one_that_is_read_only_everywhere_and_made_writable_midway(tmp_path: Path) -> None:
    with live_board(tmp_path) as board:
        write, marked = marking(board)
        tool("mount", "-o", "remount,ro", board.root)
        oracle = Oracle(board)
        before = f"mount -o remount,rw {board.root} && {' '.join(write)}"
        taken = take(board, oracle, before=("sh", "-ec", before))
        assert taken.record["source"]["live"] == "tracked"
        assert any("that one is seen could not be tried" in text for text in taken.record["warnings"])
        assert not differing(taken, oracle)
        with oracle.image.open("rb") as after, board.card.path.open("rb") as now:
            for start, end in marked:
                assert os.pread(after.fileno(), end - start, start) == os.pread(now.fileno(), end - start, start)


def test_a_card_beneath_an_overlay_that_is_mounted_nowhere_to_be_seen(tmp_path: Path) -> None:
    """As where an initial RAM disk makes the overlay, and then changes the root."""
    need("mountpoint", "umount")
    with live_board(tmp_path, filled=8 * MIB) as board, mounted("none", tmp_path / "ram", "-t", "tmpfs") as ram:
        for name in ("up", "work"):
            (ram / name).mkdir()
        tool("mount", "-o", "remount,ro", board.root)
        layers = f"lowerdir={board.root},upperdir={ram}/up,workdir={ram}/work"
        with mounted("overlay", tmp_path / "top", "-t", "overlay", "-o", layers) as top:
            tool("umount", "--lazy", board.root)
            try:
                (top / "noise").write_bytes(b"in memory only")
                oracle = Oracle(board)
                taken = take(board, oracle)
            finally:
                tool("mount", "-o", "ro", f"{board.device}p2", board.root)
        assert taken.record["source"]["live"] == "tracked"
        assert (oracle.calls, taken.record["state"]) == (1, "good")
        assert not differing(taken, oracle)


def test_after_a_loss_it_starts_over_with_more_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # A storm makes 8000 records of some 50 bytes.
    monkeypatch.setattr(live_card, "WriteTracker", partial(WriteTracker, buffer_kib=150))
    with live_board(tmp_path) as board:
        oracle = Oracle(board)
        taken = take(board, oracle, before=(sys.executable, "-c", STORM, str(board.root / "noise")))
        assert "writes, so nobody knows what has changed; starting over" in capsys.readouterr().out
        assert taken.record["state"] == "good"
        assert not differing(taken, oracle)


def bad_page(board: LiveBoard, monkeypatch: pytest.MonkeyPatch) -> tuple[tuple[str, ...], Ranges]:
    """A command that has a stretch written to before the freeze, and a page of it that the card gives no more."""
    write, marked = marking(board)
    start = next(iter(marked))[0] + MIB // 2
    bad = Ranges([(start, start + 4096)])
    read_into = DirectReader.read_into

    def failing(reader: DirectReader, offset: int, view: memoryview) -> None:
        if bad.touches(offset, offset + len(view)):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        read_into(reader, offset, view)

    monkeypatch.setattr(DirectReader, "read_into", failing)
    return write, bad


def test_a_place_that_cannot_be_read_in_the_instant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with live_board(tmp_path) as board:
        write, bad = bad_page(board, monkeypatch)
        oracle = Oracle(board)
        taken = take(board, oracle, before=write)
        assert taken.record["state"] == "partial"
        assert Ranges((start, end) for start, end in taken.record["unreadable"]) == bad
        assert differing(taken, oracle) == bad


def test_a_card_that_loses_what_is_written_is_not_taken_for_the_share(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Losing:
        def syncfs(self, fd: int) -> int:
            ctypes.set_errno(errno.EIO)
            return -1

    with live_board(tmp_path, filled=MIB) as board:
        monkeypatch.setattr(freezing, "_libc", Losing())
        with pytest.raises(BackupctlError) as caught:
            take(board)
    assert caught.value.cause == f"the card did not take all that was written to {board.root}: Input/output error"
    assert "The card may be failing" in caught.value.hint
