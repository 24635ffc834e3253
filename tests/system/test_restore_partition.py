"""Only one partition, and files of other sizes, by the command; judged by other programs."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.share.shelf import Shelf
from tests.card_images import MIB, Card, mbr_card, run
from tests.program import backupctl
from tests.system.loop_device import attached, need, partition
from tests.system.test_other_sizes import assert_volumes, blocks_of, places
from tests.system.test_restore_card import BOARD, assert_volume, full_of_ff, shelf_with, unharmed

pytestmark = pytest.mark.system


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Card, Shelf]:
    need("sfdisk", "resize2fs", "dumpe2fs")
    folder = tmp_path_factory.mktemp("made")
    card = mbr_card(folder / "card")
    return card, shelf_with(folder, card.path)


def other_card(path: Path, first: int, second: int) -> Path:
    """A card of other partitions of so many bytes, full of something else."""
    full_of_ff(path, 4 * MIB + first + second)
    run(
        "sfdisk",
        "-q",
        path,
        stdin=f"start=2048, size={first // 512}\nstart={2048 + first // 512}, size={second // 512}\n",
    )
    return path


def test_onto_a_partition(made: tuple[Card, Shelf], tmp_path: Path) -> None:
    card, shelf = made
    fat, ext4 = card.volumes
    target = other_card(tmp_path / "target.img", 24 * MIB, 60 * MIB)
    before = target.read_bytes()
    start, end = (MIB + 24 * MIB, MIB + 84 * MIB)
    with attached(target) as device:
        to = (
            "restore",
            "newest",
            device,
            "--board",
            BOARD,
            "--scratch",
            tmp_path,
            "--erase",
            device,
            "--yes",
            "--json",
        )
        for number, code in ((3, 2), (9, 2)):
            with unharmed(target):
                backupctl(shelf.path, *to, "--partition", str(number), code=code)
        with unharmed(target):
            plan = backupctl(shelf.path, *to, "--partition", "2", "--dry-run").json["plan"]
        assert plan["erased"] == f"partition 2 of {device}"
        assert plan["target_contents"] == ["partition 2: unknown, 60.0 MiB"]
        assert "16.0 MiB of partition 2" in " ".join(plan["warnings"])
        backupctl(shelf.path, *to, "--partition", "2", "--fill")
        after = target.read_bytes()
        assert after[:start] == before[:start] and after[end:] == before[end:]
        with attached(target, offset=start) as alone:
            assert_volume(Path(alone), ext4, tmp_path / "out")
            count, block = blocks_of(Path(alone))
            assert count * block == 60 * MIB
        # The first one by the name of its device. A script that may erase the card did not say that it may erase this.
        with partition(device, 1, MIB, 24 * MIB) as first:
            named = ("restore", "newest", first, "--board", BOARD, "--scratch", tmp_path, "--yes", "--partition", "1")
            with unharmed(target):
                assert "was said to be erased" in backupctl(shelf.path, *named, "--erase", device, code=3).err
            backupctl(shelf.path, *named, "--erase", first)
        with attached(target, offset=MIB) as alone:
            run("fsck.vfat", "-n", alone)
        assert target.read_bytes()[MIB : MIB + fat.size] != before[MIB : MIB + fat.size]
        assert target.read_bytes()[:MIB] == before[:MIB]


def test_too_small_a_partition(made: tuple[Card, Shelf], tmp_path: Path) -> None:
    card, shelf = made
    target = other_card(tmp_path / "target.img", 20 * MIB, 38 * MIB)
    with attached(target) as device:
        to = ("restore", "newest", device, "--board", BOARD, "--scratch", tmp_path, "--erase", device, "--yes")
        with unharmed(target):
            said = backupctl(shelf.path, *to, "--partition", "2", code=3).err
            assert f"is {6 * MIB} bytes (6.00 MiB) smaller" in " ".join(said.split())
            assert "cannot be made smaller" in backupctl(shelf.path, *to, "--partition", "1", "--shrink", code=3).err
        backupctl(shelf.path, *to, "--partition", "2", "--shrink")
    with attached(target, offset=21 * MIB) as alone:
        assert_volume(Path(alone), card.volume("ext4"), tmp_path / "out")


def test_into_files(made: tuple[Card, Shelf], tmp_path: Path) -> None:
    card, shelf = made
    whole, alone = tmp_path / "whole.img", tmp_path / "root.img"
    to = ("restore", "newest", "--board", BOARD, "--scratch", tmp_path)
    assert "too small" in backupctl(shelf.path, *to, whole, "--size", "66 MiB", code=3).err
    for words in (("--size", "a lot"), ("--size", "3"), ("--fill",), ("--partition", "1", "--new-identity")):
        backupctl(shelf.path, *to, whole, *words, code=2)
    assert not whole.exists()
    backupctl(shelf.path, *to, whole, "--size", "135168 sectors", "--shrink")  # 66 MiB
    assert whole.stat().st_size == 66 * MIB
    assert "No errors detected." in run("sfdisk", "--verify", whole)
    assert sum(places(whole)[1]) == 135168
    assert_volumes(whole, card, tmp_path)
    backupctl(shelf.path, *to, alone, "--partition", "2")
    assert alone.stat().st_size == card.volume("ext4").size
    assert_volume(alone, card.volume("ext4"), tmp_path / "out")
    assert alone.stat().st_mode & 0o777 == 0o600
