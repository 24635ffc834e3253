"""A card in use, on a loop device, and what it held in the very instant that a capture is of.

The card is that of `tests.card_images` with its root mounted. Its FAT lies still: not every kernel here can mount one.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from backupctl.domain.policy import HooksPolicy, ImagePolicy, Policy
from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.operations.shares.adopt import adopt
from backupctl.share.shelf import Shelf, open_shelf
from tests.card_images import Card, Volume, free_by_tools, mbr_card, run, take_out
from tests.formats.ext4_images import journal_by_debugfs
from tests.system.live_writers import COUNTERS, WRITERS
from tests.system.loop_device import attached, mounted, need, partition, tool

MIB = 1 << 20
BOARD = "weather-mast"
# What is free is not to be discarded: it would read as zeros, which the image has there.
MKFS = ("mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-E", "nodiscard")
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class LiveBoard:
    """`root`: where the second partition, `volume` of `card`, is mounted; `device`: the whole disk."""

    card: Card
    device: str
    root: Path
    volume: Volume
    folder: Path
    is_ext4: bool = True


@contextmanager
def live_board(
    tmp_path: Path, mkfs: tuple[str, ...] = MKFS, mount: str = "", size: int = 140 * MIB, filled: int = 48 * MIB
) -> Iterator[LiveBoard]:
    """`mkfs`: a program that makes the root anew, and its options. `filled`: bytes of noise that it holds."""
    need("addpart", "losetup", "fsfreeze", *mkfs[:1])
    card = mbr_card(tmp_path / "made", size)
    volume = card.volume("ext4")
    with attached(card.path) as device, partition(device, 2, volume.start, volume.size) as second:
        tool(*mkfs, second)
        with mounted(second, tmp_path / "root", *(("-o", mount) if mount else ())) as root:
            try:
                with (root / "noise").open("wb") as noise, Path("/dev/urandom").open("rb") as random:
                    for _ in range(filled // MIB):
                        noise.write(random.read(MIB))
                # As on a card that has been in use for long: not all that the maps of free space say is in the journal.
                for way in ("--freeze", "--unfreeze"):
                    tool("fsfreeze", way, root)
                yield LiveBoard(card, device, root, volume, tmp_path, mkfs[0] == "mke2fs")
            finally:
                subprocess.run(["fsfreeze", "--unfreeze", str(root)], capture_output=True, check=False)


def swaps_below(root: Path) -> list[str]:
    """Names of the swap files in use there: proc_swaps(5)."""
    lines = Path("/proc/swaps").read_text().splitlines()[1:]
    return [str(Path(path).relative_to(root)) for line in lines if (path := line.split()[0]).startswith(f"{root}/")]


@contextmanager
def writers(place: Path, seed: int, *kinds: str) -> Iterator[None]:
    """Processes that write to `place`, of all kinds unless some are named; no one may end before the block does."""
    started: dict[str, subprocess.Popen[bytes]] = {}
    try:
        for kind in kinds or WRITERS:
            words = [sys.executable, "-m", "tests.system.live_writers", kind, str(place), str(seed)]
            # A group of its own, so that what it has started ends with it.
            started[kind] = subprocess.Popen(words, cwd=ROOT, stderr=subprocess.PIPE, start_new_session=True)
        time.sleep(1)
        yield
        for kind, process in started.items():
            assert process.poll() is None, (kind, process.stderr and process.stderr.read())
    finally:
        for process in started.values():
            os.killpg(process.pid, signal.SIGKILL)
        for process in started.values():
            process.communicate(timeout=60)
        for name in swaps_below(place):
            tool("swapoff", place / name)


@dataclass
class Oracle:
    """Called in the instant: copies the whole card, and notes what can be read of it then."""

    board: LiveBoard
    calls: int = 0
    seconds: float = 0.0  # of the last call
    counters: list[bytes] = field(default_factory=list)
    swaps: list[str] = field(default_factory=list)

    @property
    def image(self) -> Path:
        return self.board.folder / "oracle.img"

    def __call__(self) -> None:
        began = time.monotonic()
        self.calls += 1
        run("cp", "--sparse=always", self.board.card.path, self.image)
        paths = [self.board.root / name for name in COUNTERS]
        self.counters = [path.read_bytes() for path in paths if path.exists()]
        # Swapping can end while all is frozen, but no file go then.
        self.swaps = [str(path.relative_to(self.board.root)) for path in self.board.root.glob("swap*")]
        self.seconds = time.monotonic() - began


class _Telling(Quiet):
    """What a test that fails should show."""

    def note(self, text: str) -> None:
        print(text)


@dataclass(frozen=True)
class Taken:
    """A capture's record, and its image as it was restored to a file."""

    record: dict[str, Any]
    image: Path
    seconds: float  # that the capture took

    @property
    def zeroed(self) -> Ranges:
        return Ranges((start, end) for start, end in self.record["zeroed"])


def shelf_of(folder: Path) -> Shelf:
    """That of the board, on a share in `folder`, which is made unless it is there."""
    share = folder / "share"
    if not share.exists():
        share.mkdir()
        adopt(share, BOARD, same_machine=True, policy=Policy(), facts=this_machine(folder / "state"))
    return open_shelf(share, BOARD)


def take(
    board: LiveBoard,
    oracle: Callable[[], None] | None = None,
    image: ImagePolicy | None = None,
    before: tuple[str, ...] = (),
    after: tuple[str, ...] = (),
) -> Taken:
    """Captures the board and restores that to a file. With an oracle, a freeze may last long."""
    image = image or ImagePolicy(max_freeze=30 if oracle else 2)
    policy = Policy(image=image, hooks=HooksPolicy(before=before, after=after))
    shelf, facts = shelf_of(board.folder), this_machine(board.folder / "state")
    began = time.monotonic()
    done = capture(shelf, CaptureOptions(Path(board.device), policy, while_frozen=oracle), facts, _Telling(), Stop())
    seconds = time.monotonic() - began
    restored = board.folder / f"{done['id']}.img"
    restore_to_file(shelf, done["id"], None, restored, False, facts, Quiet(), Stop())
    record = json.loads((shelf.path / "captures" / done["id"] / "record.json").read_text())
    return Taken(record, restored, seconds)


def places_of(board: LiveBoard, name: str) -> list[tuple[int, int, int]]:
    """Where a file of the root lies: its byte, the byte of the card, and how many, by filefrag."""
    os.sync()
    listed = run("filefrag", "-v", "-b512", board.root / name)
    found = re.findall(r"^ +\d+: +(\d+)\.\. +\d+: +(\d+)\.\. +\d+: +(\d+):", listed, re.MULTILINE)
    return [(int(at) * 512, board.volume.start + int(physical) * 512, int(n) * 512) for at, physical, n in found]


def differing(taken: Taken, oracle: Oracle) -> Ranges:
    """Where, by pages, the image is not what the card was, of all that was in use by outside tools' maps of the card.

    What the record says is zero must be zero, and be nothing but the journal and what was swapped to.
    """
    card, folder = oracle.board.card, oracle.board.folder
    # Only of an ext4 root do we ask what is free: others are read whole.
    known = tuple(volume for volume in card.volumes if volume.kind == "fat" or oracle.board.is_ext4)
    free = free_by_tools(oracle.image, known, folder)
    assert not taken.zeroed - (worthless(oracle) if oracle.board.is_ext4 else Ranges())
    size = card.path.stat().st_size
    assert taken.image.stat().st_size == size
    wrong = []
    with taken.image.open("rb") as ours, oracle.image.open("rb") as theirs:
        for zero, ranges in ((False, (free | taken.zeroed).inverted(0, size)), (True, taken.zeroed)):
            for start, end in ranges:
                for at in range(start, end, 4096):
                    length = min(4096, end - at)
                    ours.seek(at)
                    theirs.seek(at)
                    if ours.read(length) != (bytes(length) if zero else theirs.read(length)):
                        wrong.append((at, at + length))
    return Ranges(wrong)


def worthless(oracle: Oracle) -> Ranges:
    """Bytes of the card in its root's journal and in files called swap, by debugfs."""
    blocks = _journal(oracle)
    for name in oracle.swaps:
        blocks += [
            (int(at), int(at) + 1) for at in run("debugfs", "-R", f"blocks /{name}", _root_alone(oracle)).split()
        ]
    return _bytes_of(oracle, blocks)


def journal_body(oracle: Oracle) -> Ranges:
    """Bytes of the card in its root's journal but for the first block, which is its superblock (jbd2)."""
    (first, end), *more = _journal(oracle)
    return _bytes_of(oracle, [(first + 1, end), *more])


def _journal(oracle: Oracle) -> list[tuple[int, int]]:
    alone = _root_alone(oracle)
    return journal_by_debugfs(alone) if "has_journal" in run("dumpe2fs", "-h", alone) else []


def _bytes_of(oracle: Oracle, blocks: list[tuple[int, int]]) -> Ranges:
    header = run("dumpe2fs", "-h", _root_alone(oracle))
    block = int(re.findall(r"^Block size: +(\d+)$", header, re.MULTILINE)[0])
    base = oracle.board.volume.start
    return Ranges((base + start * block, base + end * block) for start, end in blocks)


def _root_alone(oracle: Oracle) -> Path:
    return take_out(oracle.image, oracle.board.volume, oracle.board.folder / "volume.img")


def files_in(image: Path, board: LiveBoard, names: list[str], into: Path) -> Path:
    """Files of the root of an image, as far as they are there, by debugfs."""
    alone = take_out(image, board.volume, board.folder / "volume.img")
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    for name in names:
        run("debugfs", "-R", f"dump /{name} {into / name}", alone)
    return into
