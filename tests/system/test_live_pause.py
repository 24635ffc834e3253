"""How long a capture keeps those waiting who write to the card, and how long it takes itself."""

from __future__ import annotations

import os
import random
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.system.frozen_card import need_file_system
from tests.system.live_board import ROOT, LiveBoard, Oracle, differing, live_board, take, writers
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

ALONE = bool(os.environ.get("BACKUPCTL_LONG"))  # a run of everything shares the processors with the virtual board
RUNS = 20 if ALONE else 1
MOST_FROZEN, MOST_FROZEN_ONCE, MOST_PAUSE = (0.25, 1.0, 0.5) if ALONE else (1.0, 2.0, 2.0)  # seconds
SEED = random.SystemRandom().randrange(1 << 32)

# Syncs every 10 ms until its input ends, then says how long the longest one took.
METER = """
import os, select, sys, time
fd = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
longest = 0.0
while not select.select([0], [], [], 0.01)[0]:
    began = time.monotonic()
    os.pwrite(fd, b"now", 0)
    os.fsync(fd)
    longest = max(longest, time.monotonic() - began)
print(longest)
"""


def longest_pause(board: LiveBoard, seconds: float | None = None) -> tuple[float, dict[str, float]]:
    """Of the meter: during a capture, or for so long without one; and what the capture took."""
    words = [sys.executable, "-c", METER, str(board.root / "meter")]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT) as meter:
        figures = {}
        if seconds is None:
            taken = take(board)
            figures = {"frozen": taken.record["frozen_seconds"], "wall": taken.seconds}
            taken.image.unlink()
        else:
            time.sleep(seconds)
        return float(meter.communicate(b"over", timeout=60)[0]), figures


@pytest.mark.timeout(300 * RUNS)
def test_pause_and_time(tmp_path: Path) -> None:
    pauses, frozen, walls = [], [], []
    for number in range(RUNS):
        folder = tmp_path / str(number)
        with live_board(folder) as board:
            with writers(board.root, SEED + number):
                pause, figures = longest_pause(board)
                without, _ = longest_pause(board, figures["wall"])
            pauses.append(pause)
            frozen.append(figures["frozen"])
            # The same card when nobody uses it, onto a share that is as empty.
            (folder / "share").rename(folder / "used")
            tool("umount", board.root)
            try:
                still = take(board).seconds
            finally:
                tool("mount", f"{board.device}p2", board.root)
            walls.append(figures["wall"] / still)
            print(f"{pause=:.3f} {without=:.3f} frozen={frozen[-1]:.3f} wall={figures['wall']:.2f} {still=:.2f}")
        for image in folder.rglob("*.img"):
            image.unlink()
    for name, values in (("pause", pauses), ("frozen", frozen), ("wall, of offline", walls)):
        print(f"{name}: median {statistics.median(values):.3f}, longest {max(values):.3f}, of {len(values)}")
    assert statistics.median(frozen) <= MOST_FROZEN
    assert max(frozen) <= MOST_FROZEN_ONCE
    assert statistics.median(pauses) <= MOST_PAUSE


CHECKS = {
    "xfs": ("xfs_repair", "-n"),
    "btrfs": ("btrfs", "check", "--readonly"),
}


@pytest.mark.parametrize("fstype", CHECKS)
def test_one_that_is_read_whole(tmp_path: Path, fstype: str) -> None:
    need(f"mkfs.{fstype}", CHECKS[fstype][0])
    need_file_system(fstype)
    # No trimming: what is free is not known here, and what is trimmed has to be read again as if it were written.
    kinds = ("files", "directories", "direct", "mapped", "deleted", "database-wal", "counters")
    with live_board(tmp_path, (f"mkfs.{fstype}", "-q", "-f"), size=360 << 20) as board:
        with writers(board.root, SEED, *kinds):
            oracle = Oracle(board)
            taken = take(board, oracle)
        assert not differing(taken, oracle)
        volume = board.volume
        with attached(taken.image) as device, partition(device, 2, volume.start, volume.size) as second:
            if fstype == "xfs":
                # A frozen XFS has something in its log on purpose (xfs_freeze(8): for crash recovery of a snapshot).
                with mounted(second, tmp_path / "replayed", "-o", "nouuid"):
                    pass
            tool(*CHECKS[fstype], second)
