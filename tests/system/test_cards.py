"""The list of disks, for root and for an ordinary user, against what outside tools put on a card."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest

from backupctl.operations.cards import Card, VolumeOnCard, cards
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

MIB = 1 << 20


def make_card(path: Path, sector_size: int) -> Path:
    """A GPT with a FAT and an ext4 file system."""
    need("sfdisk", "mkfs.vfat", "mkfs.ext4")
    with path.open("wb") as file:
        file.truncate(96 * MIB)
    with attached(path, sector_size) as device:
        script = "label: gpt\nstart=1MiB, size=40MiB\nstart=48MiB, size=40MiB\n"
        subprocess.run(["sfdisk", "--quiet", device], input=script, text=True, check=True)
        with partition(device, 1, MIB, 40 * MIB) as first, partition(device, 2, 48 * MIB, 40 * MIB) as second:
            # FAT16 needs 4085 to 65524 clusters.
            tool("mkfs.vfat", "-F", "16", "-s", str(max(1, 1024 // sector_size)), "-n", "FIRMWARE", first)
            tool("mkfs.ext4", "-q", "-b", "4096", "-L", "greenhouse", second)
    return path


def the_card(device: str, found: list[Card]) -> Card:
    (card,) = [card for card in found if card.path == device]
    return card


@pytest.mark.parametrize("sector_size", [512, 4096])
def test_what_is_on_a_card(tmp_path: Path, sector_size: int) -> None:
    image = make_card(tmp_path / "card.img", sector_size)
    with attached(image, sector_size) as device, partition(device, 2, 48 * MIB, 40 * MIB) as second:
        with mounted(second, tmp_path / "place"):
            card = the_card(device, cards())
            assert card.mounted_at == (str(tmp_path / "place"),)
            assert card.users == (f"{Path(second).name} is mounted at {tmp_path}/place",)
        assert (card.kind, card.model, card.size, card.sector_size) == ("loop", str(image), 96 * MIB, sector_size)
        assert (card.scheme, card.unread, card.runs_system) == ("gpt", "", False)
        assert card.volumes == (
            VolumeOnCard(1, MIB, 40 * MIB, "fat16", "FIRMWARE"),
            VolumeOnCard(2, 48 * MIB, 40 * MIB, "ext4", "greenhouse"),
        )
        assert the_card(device, cards()).users == ()


def test_a_file_system_on_the_bare_device_and_nothing_at_all(tmp_path: Path) -> None:
    need("mkfs.ext4")
    image = tmp_path / "card.img"
    image.write_bytes(bytes(16 * MIB))
    with attached(image) as device:
        blank = the_card(device, cards())
        assert (blank.scheme, [volume.kind for volume in blank.volumes]) == ("", ["unknown"])
        tool("mkfs.ext4", "-q", "-L", "bare", device)
        assert the_card(device, cards()).volumes == (VolumeOnCard(0, 0, 16 * MIB, "ext4", "bare"),)


def test_a_table_that_lies_is_said(tmp_path: Path) -> None:
    image = make_card(tmp_path / "card.img", 512)
    with image.open("r+b") as file:
        for at in (512, 96 * MIB - 512):  # both GPT headers (UEFI 2.x, section 5.3.2)
            file.seek(at + 16)
            file.write(b"\xff\xff\xff\xff")
    with attached(image) as device:
        card = the_card(device, cards())
        assert card.unread.startswith("its partition table cannot be trusted: ")
        assert card.volumes == ()


def test_the_disk_that_the_system_runs_from() -> None:
    source = tool("findmnt", "-n", "-o", "SOURCE", "/").strip()
    if not source.startswith("/dev/"):
        pytest.skip(f"the root directory is on {source}")
    names = tool("lsblk", "--inverse", "--noheadings", "--list", "--output", "PATH,TYPE", source).split("\n")
    disks = {line.split()[0] for line in names if line.split()[1:] == ["disk"]}
    found = [card for card in cards() if card.path in disks]
    assert len(found) == len(disks) > 0
    assert all(card.runs_system and "/ is on it" in card.why for card in found)


def test_an_ordinary_user_is_told_what_cannot_be_seen(tmp_path: Path) -> None:
    image = make_card(tmp_path / "card.img", 512)
    # Imports come first: an ordinary user need not be allowed to read where the package lies.
    program = (
        "import json, os\n"
        "from dataclasses import asdict\n"
        "from backupctl.operations.cards import cards\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "print(json.dumps([asdict(card) for card in cards()]))\n"
    )
    with attached(image) as device:
        as_root = the_card(device, cards())
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
        assert done.stderr == ""
        (seen,) = [card for card in json.loads(done.stdout) if card["path"] == device]
        assert seen["unread"] == f"{device} may not be opened by this user"
        kept = json.loads(json.dumps(asdict(as_root)))
        looked_into = {name: kept[name] for name in ("scheme", "identity", "volumes")}
        assert {**seen, "unread": "", **looked_into} == kept
