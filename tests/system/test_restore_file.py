"""Restoring into a file on a disk that has no room for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.card_images import mbr_card
from tests.program import backupctl
from tests.system.loop_device import mounted, need
from tests.system.test_restore_card import BOARD, shelf_with

pytestmark = pytest.mark.system


def test_a_full_disk_is_told_of_by_its_name(tmp_path: Path) -> None:
    """A tmpfs of 2 MiB (tmpfs(5)); what the card holds is more."""
    need("mount", "umount")
    shelf = shelf_with(tmp_path, mbr_card(tmp_path / "card").path)
    with mounted("none", tmp_path / "small", "-t", "tmpfs", "-o", "size=2m") as small:
        for more in ((), ("--size", "256 MiB", "--fill", "--scratch", tmp_path)):
            done = backupctl(shelf.path, "restore", "newest", small / "card.img", "--board", BOARD, *more, code=1)
            said = " ".join(done.err.split())
            assert f"{small} has room for 2.00 MiB, and card.img takes about" in said
            assert f"{small} is full: card.img has no room there" in said
            assert list(small.iterdir()) == []
