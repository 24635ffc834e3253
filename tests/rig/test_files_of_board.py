"""All files of the running board, over the share, and a smaller card that is made of them and boots."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.program import backupctl
from tests.rig import recipe
from tests.rig.board import Board, Disk
from tests.rig.rig import MIB, SERVED, Rig
from tests.rig.test_running_board import root_of
from tests.system.loop_device import attached

pytestmark = pytest.mark.rig

BOARD = "nursery"
# What does not change while it runs and boots, by find(1) and sha256sum(1): kind, mode, owner, target, and contents.
LISTED = (
    "find boot etc opt/backupctl/lib root srv usr -xdev ! -name '*.pyc' ! -name __pycache__ ! -name smbd-shares "
    r"\( -printf '%p %y %m %U %G %l\n' \) -type f -exec sha256sum '{}' +"
)
SMALLER = 1_000_000_000 // 512 * 512  # a card that is sold as 1 GB
POLICY = b"[store]\nlevel = 1\nread_back = false\n"
# What a file that somebody writes to meanwhile, such as a log, makes of a capture and of what comes of it.
DONE = (0, 4)


def test_a_smaller_card_is_made_of_them_and_boots(adopted: Rig, tmp_path: Path) -> None:
    rig = adopted
    rig.board.send(POLICY, "/run/quick.toml")
    words = ("capture", "--kind", "files", "--board", BOARD, "--policy", "/run/quick.toml", "--json")
    taken = rig.backupctl(*words, codes=DONE, seconds=900).json
    wanted = rig.shell(f"cd / && {LISTED}", 600)
    assert (taken["kind"], taken["state"]) == ("files", "good")
    assert [text for text in taken["warnings"] if "went on changing" not in text] == []
    record = json.loads(rig.shell(f"cat '{SERVED}/boards/{BOARD}/captures/{taken['id']}/record.json'"))
    assert record["source"]["path"] == rig.shell("readlink -f /dev/disk/by-id/virtio-card").strip()
    assert [volume["mounted"] for volume in record["layout"]["volumes"]] == ["/boot/firmware", "/"]

    # On another computer, as after a board's end.
    card, share = rig.blank("made", SMALLER), rig.folder / "second.img"
    with rig.share_elsewhere() as elsewhere, attached(card) as device:
        words = ("restore", taken["id"], device, "--board", BOARD, "--erase", device, "--yes")
        assert backupctl(elsewhere, *words, code=None).code in DONE
    with attached(card, offset=recipe.ROOT_START) as root:
        subprocess.run(["e2fsck", "-fn", root], check=True, capture_output=True)
    with root_of(card, tmp_path / "restored") as restored:
        found = subprocess.run(["sh", "-c", LISTED], cwd=restored, check=True, capture_output=True, text=True).stdout
    assert len(wanted.splitlines()) > 10_000
    assert sorted(found.splitlines()) == sorted(wanted.splitlines())

    recipe.make_share_disk(share, 64 * MIB)
    second = Board(rig.folder / "second")
    second.start(Disk(card, "card"), Disk(share, "share"), bound_to_us=True)  # raises unless everything comes up
    try:
        assert second.run("systemctl --failed --no-legend").out == ""
        root = second.run("blkid -o value -s PARTUUID $(findmnt --noheadings --output SOURCE /)").out.strip()
        room = int(second.run("df --output=size --block-size=1 / | tail -n 1").out)
    finally:
        second.kill()
    assert root == f"{recipe.DISK_ID}-02"
    assert room < SMALLER - recipe.ROOT_START
