"""A whole board's card over the share and back, and a board that boots from what came back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.card_images import run
from tests.rig import recipe
from tests.rig.board import Board, Disk
from tests.rig.rig import BOARD, Rig

pytestmark = pytest.mark.rig

# What a board does not change while it boots and runs: all but logs, states, the program that was put in, what Python
# compiles, and a list that the server's start writes anew.
_SUMS = (
    "find /boot /etc /opt/backupctl/lib /root /srv /usr -xdev -type f ! -name '*.pyc' ! -name smbd-shares -print0 | "
    "sort -z | xargs -0 -P2 -n200 sha256sum | sort -k2"
)


@pytest.fixture
def spare(rig: Rig) -> Iterator[Path]:
    path = rig.blank("restored", recipe.CARD_BYTES)
    yield path
    path.unlink()


def test_restored_card_boots(adopted: Rig, spare: Path) -> None:
    rig = adopted
    with rig.in_reader(recipe.card(), "source", read_only=True) as device:
        taken = rig.capture(device, "--no-read-back")
    with rig.in_reader(spare, "spare") as device:
        rig.backupctl("restore", taken["id"], device, "--board", BOARD, "--erase", device, "--yes")
    run("e2fsck", "-fn", f"{spare}?offset={recipe.ROOT_START}")
    wanted = rig.shell(_SUMS, 300).splitlines()
    assert len(wanted) > 5000

    second = Board(rig.folder / "second")
    second.start(Disk(spare, "card"), bound_to_us=True)  # raises unless everything comes up
    try:
        found = second.run(_SUMS, 300).out.splitlines()
        assert second.run("systemctl --failed --no-legend").out == ""
        second.power_off()
    finally:
        second.kill()
    assert set(found) ^ set(wanted) == set()
    run("e2fsck", "-fn", f"{spare}?offset={recipe.ROOT_START}")
