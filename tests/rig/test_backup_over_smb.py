"""The whole job on a real SMB mount: from a card in the reader to the share, and onto another card."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from tests.card_images import MIB, Card, free_by_tools, mbr_card, run, take_out
from tests.rig.rig import BOARD, SERVED, Rig

pytestmark = pytest.mark.rig


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Card:
    return mbr_card(tmp_path_factory.mktemp("card"))


def test_card_to_share_to_card(adopted: Rig, card: Card, tmp_path: Path) -> None:
    rig = adopted
    with rig.in_reader(card.path, "source") as device:
        first = rig.capture(device, "--label", "before")
    with card.path.open("r+b") as file:  # behind the last partition
        file.seek(-5000, os.SEEK_END)
        file.write(random.Random(3).randbytes(4000))
    with rig.in_reader(card.path, "source") as device:
        second = rig.capture(device)
    assert second["written_bytes"] < MIB < first["written_bytes"]
    verified = rig.backupctl("verify", "--board", BOARD, "--json").json
    assert set(verified["whole_captures"]) >= {first["id"], second["id"]}

    spare = rig.blank("spare", 128 * MIB)
    with rig.in_reader(spare, "spare") as device:
        rig.backupctl("restore", "newest", device, "--board", BOARD, "--erase", device, "--yes")
    free = free_by_tools(card.path, card.volumes, tmp_path)
    size = card.path.stat().st_size
    _assert_same(card.path, spare, Ranges([(0, size)]) - free)
    for volume, check in zip(card.volumes, (("fsck.vfat", "-n"), ("e2fsck", "-fn")), strict=True):
        run(*check, take_out(spare, volume, tmp_path / "volume.img"))


def _assert_same(one: Path, other: Path, where: Ranges) -> None:
    with one.open("rb") as a, other.open("rb") as b:
        for start, end in where:
            a.seek(start)
            b.seek(start)
            assert a.read(end - start) == b.read(end - start), f"bytes {start} to {end} differ"


def test_card_file_on_the_board(adopted: Rig, card: Card) -> None:
    rig = adopted
    rig.board.send(card.path.read_bytes(), "/var/tmp/card.img")
    before = rig.capture("/var/tmp/card.img")
    rig.backupctl("restore", before["id"], "/var/tmp/again.img", "--board", BOARD)
    rig.shell(f"ls -ls /var/tmp; test $(stat -c %s /var/tmp/again.img) = {card.path.stat().st_size}")
    for offset, marker in card.markers.items():
        if offset < 60 * MIB:  # the last one was overwritten
            found = rig.board.run_bytes(f"dd if=/var/tmp/again.img bs=1 skip={offset} count={len(marker)} status=none")
            assert found[1] == marker
    rig.shell("rm /var/tmp/card.img /var/tmp/again.img")


def test_nothing_on_the_share_differs_in_case_only(adopted: Rig) -> None:
    names = adopted.shell(f"cd '{SERVED}' && find . -mindepth 1").splitlines()
    assert len({name.casefold() for name in names}) == len(names) > 10
    assert adopted.shell(f"find '{SERVED}' -type l") == ""
