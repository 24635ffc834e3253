"""The virtual board's card, captured: every file picked out of it, and cards of other sizes made of it and booted."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from backupctl.operations.restoring.cloning import CloneWishes
from backupctl.operations.restoring.suiting import Changes
from backupctl.share.shelf import Shelf
from tests.card_images import run
from tests.program import backupctl
from tests.real_tree import attributes, described
from tests.rig import recipe
from tests.rig.board import Board, Disk
from tests.rig.rig import MIB
from tests.system.loop_device import attached, mounted, need, tool
from tests.system.test_other_sizes import sparse
from tests.system.test_restore_card import restored, shelf_with

pytestmark = pytest.mark.rig


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    if os.geteuid() != 0:
        pytest.skip("needs root, to install a Debian tree")
    missing = recipe.missing_programs()
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    return shelf_with(tmp_path_factory.mktemp("other-cards"), recipe.card())


def every_file(top: Path) -> dict[str, tuple[object, ...]]:
    """Of a tree on this machine: kind, mode, owner, group, time, links, content by SHA-256, and attributes."""
    found: dict[str, tuple[object, ...]] = {}
    for path in top.rglob("*"):
        name = str(path.relative_to(top))
        if not name.startswith(("boot/firmware", "lost+found")):
            found[name] = (*described(path), path.lstat().st_nlink, attributes(path))
    return found


def test_every_file_of_a_real_root(shelf: Shelf, tmp_path: Path) -> None:
    """Picked, against what the kernel reads on a loop device, and debugfs; the boot partition against mtools."""
    need("debugfs", "mcopy")
    backupctl(shelf.path, "pick", "newest", "/", tmp_path / "all", "--special", "--quiet")
    picked = every_file(tmp_path / "all")
    with attached(recipe.card(), offset=recipe.ROOT_START) as device:
        with mounted(device, tmp_path / "there", "-o", "ro,noload") as there:
            expected = every_file(there)
        run("debugfs", "-R", f"rdump /etc {tmp_path}", device)
    assert len(expected) > 10_000
    assert {name for name in expected.keys() | picked.keys() if expected.get(name) != picked.get(name)} == set()
    tool("diff", "--recursive", "--no-dereference", tmp_path / "etc", tmp_path / "all" / "etc")
    (tmp_path / "boot").mkdir()
    run("mcopy", "-s", "-i", f"{recipe.card()}@@{recipe.BOOT_START}", "::", tmp_path / "boot")
    tool("diff", "--recursive", tmp_path / "boot", tmp_path / "all" / "boot" / "firmware")


# A card of the same name that is 0.5 % smaller, and one that is sold as 4 GB: 4 * 10^9 bytes.
@pytest.mark.parametrize("size", [recipe.CARD_BYTES * 995 // 1000 // 512 * 512, 4_000_000_000 // 512 * 512])
def test_it_boots(shelf: Shelf, tmp_path: Path, size: int) -> None:
    is_clone = size > recipe.CARD_BYTES
    wishes = CloneWishes(True, "potting-shed", True) if is_clone else CloneWishes()
    card, share = sparse(tmp_path / "card.img", size), tmp_path / "share.img"
    with attached(card) as device:
        restored(shelf, device, changes=Changes(fill=True, shrink=True, clone=wishes, scratch=tmp_path))
    recipe.make_share_disk(share, 64 * MIB)
    board = Board(tmp_path / "board")
    board.start(Disk(card, "card"), Disk(share, "share"), bound_to_us=True)  # raises unless everything comes up
    try:
        blocks, of = map(int, board.run("stat --file-system --format='%b %S' /").out.split())
        shown = board.run("df --output=size --block-size=1 / | tail -n 1").out
        root = board.run("blkid -o value -s PARTUUID $(findmnt --noheadings --output SOURCE /)").out.strip()
        told = board.run("cat /proc/sys/kernel/hostname /etc/machine-id").out.split()
        state = board.run(f"dumpe2fs -h /dev/disk/by-partuuid/{root}").out
    finally:
        board.kill()
    room = size - recipe.ROOT_START
    assert blocks * of == int(shown)
    # df leaves out what the file system needs for itself: inode tables of 1/64, and a journal.
    assert room * 0.93 < int(shown) < room
    assert "Filesystem state:         clean" in state
    assert (root == f"{recipe.DISK_ID}-02") != is_clone
    assert told[0] == ("potting-shed" if is_clone else "greenhouse")
    assert len(told) == 2 and len(told[1]) == 32
