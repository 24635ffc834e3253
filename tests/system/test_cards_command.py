"""`backupctl cards`: what a person and a program are told, against lsblk, findmnt and what was put on a card."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from tests.program import backupctl
from tests.system import command_line
from tests.system.loop_device import attached, mounted, need, partition, tool
from tests.system.test_cards import MIB, make_card

pytestmark = pytest.mark.system


def block(text: str, device: str) -> list[str]:
    """The lines about one device."""
    found = [lines for part in text.split("\n\n") if (lines := part.splitlines())[0].split()[0] == device]
    assert len(found) == 1
    return found[0]


def test_a_card_as_text_and_as_json(tmp_path: Path) -> None:
    image = make_card(tmp_path / "card.img", 512)
    place = tmp_path / "place"
    with attached(image) as device, partition(device, 2, 48 * MIB, 40 * MIB) as second, mounted(second, place):
        text = backupctl(None, "cards").out
        listed = {card["path"]: card for card in backupctl(None, "cards", "--json").json}
        told = json.loads(tool("lsblk", "--json", "--bytes", "--nodeps", "--output", "PATH,SIZE,RM,RO,SERIAL"))
    lines = block(text, device)
    folded = " ".join(line.strip() for line in lines)
    assert command_line.too_wide(text, 79) == []
    # lsblk -h: "96M" is 96 MiB; the kinds and labels are those that make_card gave to mkfs.
    assert "96.0 MiB, 512-byte sectors" in folded
    assert "GPT partition table" in folded
    assert "1: fat16, 40.0 MiB, labelled FIRMWARE" in folded
    assert "2: ext4, 40.0 MiB, labelled greenhouse" in folded
    # A long path is broken where the line ends.
    assert f"{Path(second).name} is mounted at {place}".replace(" ", "") in folded.replace(" ", "")
    assert "runs from it" not in folded
    assert listed[device]["mounted_at"] == [str(place)]
    for disk in told["blockdevices"]:
        if disk["path"] not in listed:
            continue  # an unused loop device, a mapping: not a card
        card = listed[disk["path"]]
        assert (card["size"], card["removable"], card["read_only"]) == (disk["size"], disk["rm"], disk["ro"])
        if disk["serial"]:  # lsblk has it from udev, which is not everywhere
            assert card["serial"] == disk["serial"].strip()
    assert device in listed


def test_two_that_cannot_be_told_apart(tmp_path: Path) -> None:
    image, copy, blank = make_card(tmp_path / "card.img", 512), tmp_path / "copy.img", tmp_path / "blank.img"
    tool("cp", "--sparse=always", image, copy)
    blank.write_bytes(bytes(MIB))
    with attached(image) as device, attached(copy) as other, attached(blank), attached(blank) as empty:
        text = backupctl(None, "cards").out
        listed = {card["path"]: card for card in backupctl(None, "cards", "--json").json}
        # sgdisk(8): "Disk identifier (GUID)".
        guid = re.findall(r"Disk identifier \(GUID\): (\S+)", tool("sgdisk", "--print", device))[0]
    assert (listed[device]["identity"], listed[device]["twins"]) == (guid.lower(), [other])
    assert (listed[other]["twins"], listed[empty]["twins"]) == ([device], [])
    assert f"twin {other} has the same identity" in " ".join(" ".join(block(text, device)).split())


def test_the_card_that_the_system_runs_from() -> None:
    source = tool("findmnt", "--noheadings", "--output", "SOURCE", "/").strip()
    if not source.startswith("/dev/"):
        pytest.skip(f"/ is on {source}, which is no disk")
    disks = tool("lsblk", "--noheadings", "--inverse", "--list", "--output", "PATH,TYPE", source).splitlines()
    ours = {line.split()[0] for line in disks if line.split()[1] == "disk"}
    running = {card["path"] for card in backupctl(None, "cards", "--json").json if card["runs_system"]}
    assert ours
    assert ours <= running
    text = backupctl(None, "cards").out
    assert all("runs from it: / is on it" in " ".join(block(text, path)) for path in ours)


def test_what_could_not_be_read_and_why(tmp_path: Path) -> None:
    need("losetup")
    image = tmp_path / "card.img"
    image.write_bytes(os.urandom(4 * MIB))
    tmp_path.chmod(0o755)
    with attached(image) as device:
        ended = command_line.backupctl("cards", cwd=Path("/"), as_nobody=True)
    assert ended.code == 0, ended.err
    folded = " ".join(line.strip() for line in block(ended.out, device))
    assert "holds not known: " in " ".join(folded.split())
    assert "may not be opened by this user" in folded
    assert command_line.too_wide(ended.out, 79) == []
