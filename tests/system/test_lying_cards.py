"""Counterfeit and worn cards, as devices: the whole command, down to which byte was true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from backupctl.share.shelf import Shelf
from tests.card_images import MIB, mbr_card
from tests.program import backupctl
from tests.system.loop_device import need
from tests.system.lying_card import lying_card
from tests.system.test_restore_card import BOARD, assert_looks_empty, shelf_with

pytestmark = pytest.mark.system

CARD = 72 * MIB


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    need()
    folder = tmp_path_factory.mktemp("shelf")
    return shelf_with(folder, mbr_card(folder / "card", CARD).path)


# What is in use begins anew at 26 MiB with the ext4, whose first group is full of files.
@pytest.mark.parametrize(("lie", "real"), [("wraps", 40 * MIB), ("drops", 30 * MIB + 4096)])
@pytest.mark.parametrize("how", [(), ("--fill",)])
def test_a_card_that_does_not_keep_its_word(
    shelf: Shelf, tmp_path: Path, lie: str, real: int, how: tuple[str, ...]
) -> None:
    size = CARD + 16 * MIB if how else CARD
    with lying_card(tmp_path, size, lie, real) as device:
        to = ("restore", "newest", device, "--board", BOARD, "--erase", device, "--yes", "--scratch", tmp_path)
        ended = backupctl(shelf.path, *to, *how, code=1)
        # Of a card that wraps around, what was written last stands: what is false may be at its beginning.
        said = " ".join(ended.err.split())
        found = re.search(r"gives back other bytes than were written to it, from byte (\d+) on", said)
        assert found, said
        if lie == "drops":
            assert real <= int(found[1]) < real + 2 * MIB
        else:
            assert int(found[1]) < real
            assert f"seems to hold only 40.0 MiB ({real} bytes)" in said
        assert "counterfeit" in said
        assert_looks_empty(device)
