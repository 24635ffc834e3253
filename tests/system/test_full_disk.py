"""A share on a disk of its own that is full to the last block: it can be tidied, and then captures go on."""

from __future__ import annotations

import errno
import os
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.errors import Refused
from backupctl.domain.policy import Policy
from backupctl.operations.capturing import image_run
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.shelf import Shelf, adopt_share, make_shelf
from tests.program import backupctl
from tests.system.loop_device import attached, mounted, need, tool
from tests.unit.small_board import SmallBoard
from tests.unit.thinned_board import NEWEST_TWO, check_restores

pytestmark = pytest.mark.system

MIB = 1 << 20
CELL = 64 << 10
CELLS = 128
NEWEST = replace(NEWEST_TWO, retention=replace(NEWEST_TWO.retention, newest=1))


CHANGED = (0, 96, 92, 20)  # cells at the beginning of the card, each night


def card(night: int) -> bytes:
    """8 MiB."""
    versions = [max(n for n in range(night + 1) if n == 0 or cell < CHANGED[n]) for cell in range(CELLS)]
    return b"".join(random.Random(f"{cell} {version}").randbytes(CELL) for cell, version in enumerate(versions))


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    need("mkfs.ext4", "mount", "umount", "losetup")
    image = tmp_path / "disk.img"
    with image.open("wb") as file:
        file.truncate(128 * MIB)
    # No blocks for root alone, and no journal, so that full is full.
    tool("mkfs.ext4", "-q", "-m", "0", "-O", "^has_journal", image)
    with attached(image) as device, mounted(device, tmp_path / "nas") as folder:
        yield folder


def fill(folder: Path) -> None:
    """Another one's file takes all that is left."""
    with (folder / "films").open("ab", buffering=0) as file:
        for size in (MIB, 4096, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError as error:
                assert error.errno == errno.ENOSPC


def thin_with(board: SmallBoard, shelf: Shelf, policy: Policy, tidy: bool) -> dict[str, object]:
    return thin(shelf, ThinOptions(policy, str, yes=True, tidy=tidy), board.facts(), Quiet(), Stop())


def test_a_full_disk_is_tidied(disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", CELL)
    made = "2026-12-01T02:00:00+01:00"
    share = disk / "share"
    share.mkdir()
    adopt_share(share, same_machine=True, made=made)
    shelf = make_shelf(share, "greenhouse", "xxh3-128", made)
    board = SmallBoard(tmp_path)
    for night in range(3):
        board.capture(shelf, card(night))
    fill(disk)
    with pytest.raises(Refused, match="room: "):
        board.capture(shelf, card(3))
    assert shelf.storage.free_bytes() < 8192
    # The first part is needed to a quarter, the second to a twentieth, and neither can go before the rest has moved.
    # Only the ballast is room for that; what the second one gives back is enough for the first.
    done = thin_with(board, shelf, NEWEST, tidy=True)
    assert len(done["rewritten_parts"]) == 2  # type: ignore[arg-type]
    assert check_restores(board, shelf) == list(board.contents)[2:]
    assert shelf.storage.free_bytes() > 11 * MIB  # of 20 MiB, 8 are needed
    (disk / "films").unlink()
    board.capture(shelf, card(3))
    thin_with(board, shelf, NEWEST, tidy=False)
    assert len(check_restores(board, shelf)) == 1
    assert (shelf.path / "ballast").stat().st_size == MIB


def test_what_somebody_says_of_captures_reaches_a_full_disk(disk: Path, tmp_path: Path) -> None:
    """A guard has to be put on before the thinning that makes room, and one may be all that keeps it from that."""
    share, source = disk / "share", tmp_path / "card.img"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "greenhouse")
    taken = []
    for night in range(3):
        source.write_bytes(card(night))
        capture = ("capture", "--board", "greenhouse", "--source", source, "--json")
        taken.append(backupctl(share, *capture, code=4).json["id"])  # noise, read whole with a warning
    policy = tmp_path / "newest.toml"
    policy.write_text("[retention]\ndaily = 0\nweekly = 0\nmonthly = 0\nyearly = 0\neverything_for = 0\nminimum = 1\n")
    ballast = share / "boards" / "greenhouse" / "ballast"
    for words in (
        ("guard", taken[0], "--reason", "before the flood"),
        ("guard", taken[1], "--reason", "a mistake"),
        ("unguard", taken[1]),
        ("boards", "continue", "greenhouse", "--new-board"),
        ("boards", "away", "greenhouse", "--until", "2199-01-01"),
    ):
        fill(disk)
        backupctl(share, *words)
        assert ballast.stat().st_size > 3 * MIB // 4, "what is left of it stays for the thinning"
    fill(disk)
    thinned = backupctl(share, "thin", "--policy", policy, "--yes", "--tidy", "--json").json
    assert [item["action"] for item in thinned] == ["stays", "goes", "stays"]
    (disk / "films").unlink()
    backupctl(share, "verify")
    backupctl(share, "thin", "--policy", policy, "--yes")
    assert ballast.stat().st_size == MIB


def test_room_that_does_not_come_back_is_told(disk: Path, tmp_path: Path) -> None:
    """As behind a recycle bin: what the program unlinks has another name elsewhere."""
    share, source = disk / "share", tmp_path / "card.img"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "greenhouse")
    words = ("capture", "--board", "greenhouse", "--source", source, "--json")
    taken = []
    for seed in range(2):
        source.write_bytes(random.Random(seed).randbytes(8 * MIB))
        taken.append(backupctl(share, *words, code=4).json["id"])
    backupctl(share, "thin", "--yes", "--tidy")  # confirms what the last one wrote
    backupctl(share, "discard", taken[0], "--yes")
    (disk / "recycle").mkdir()
    for path in (share / "boards" / "greenhouse" / "trash").rglob("*.zst"):
        os.link(path, disk / "recycle" / path.name)
    said = " ".join(backupctl(share, "thin", "--yes", "--tidy").out.split())
    assert "does the NAS keep them in a recycle bin, or in snapshots?" in said
    kept = r"8\.\d\d MiB deleted, [\d.]+ \w+ more free"
    assert re.search(kept, said)
    assert "given back" not in said
    assert re.search(kept, " ".join(backupctl(share, "runs").out.split()))
    backupctl(share, "verify")
