"""What is checked before a capture, for a board that has a shelf and for one that has none."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.program import backupctl
from tests.system.loop_device import attached

pytestmark = pytest.mark.system


@pytest.fixture
def share(tmp_path: Path) -> Path:
    folder = tmp_path / "share"
    folder.mkdir()
    backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "greenhouse")
    return folder


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(1 << 20) + bytes(range(256)) * 4096)  # zeros at first: nothing to be warned of
    return path


@pytest.fixture
def mounted_disk(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A loop device with an ext4 on it, mounted."""
    image, folder = tmp_path / "disk.img", tmp_path / "disk"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(64 << 20)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", image], check=True)
    with attached(image) as device:
        subprocess.run(["mount", device, folder], check=True)
        try:
            yield device, folder
        finally:
            subprocess.run(["umount", folder], check=True)


def files(share: Path) -> list[Path]:
    return sorted(path for path in share.rglob("*") if path.is_file())


def results(share: Path, board: str, source: Path) -> dict[str, str]:
    found = backupctl(share, "preflight", "--board", board, "--source", source, "--json", code=None)
    return {check["name"]: check["result"] for check in json.loads(found.out)["checks"]}


def test_a_board_that_is_new(share: Path, card: Path) -> None:
    before = files(share)
    found = results(share, "workshop", card)
    assert {"share", "policy", "mount", "source", "in use", "room", "lock", "clock"} <= found.keys()
    assert set(found.values()) <= {"ok", "warning"}
    dry = backupctl(share, "capture", "--board", "workshop", "--source", card, "--dry-run", "--json")
    assert json.loads(dry.out)["estimated_written_bytes"] > 0
    assert files(share) == before


def test_a_share_on_the_card_itself(mounted_disk: tuple[str, Path]) -> None:
    device, folder = mounted_disk
    backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "greenhouse")
    before = sorted(folder.rglob("*"))
    for board in ("greenhouse", "new-one"):
        found = backupctl(folder, "capture", "--board", board, "--source", device, code=3)
        assert "lies on" in found.err
        assert sorted(folder.rglob("*")) == before


def test_a_card_file_on_the_share(share: Path, card: Path) -> None:
    inside = card.rename(share / "card.img")
    assert results(share, "greenhouse", inside)["share is elsewhere"] == "warning"


def test_every_run_says_that_the_share_is_on_this_machine(share: Path, card: Path) -> None:
    for command, code in (("capture", 0), ("night", 4)):  # a drill cannot tell much of noise
        found = backupctl(share, command, "--board", "greenhouse", "--source", card, code=code)
        assert "a folder of this machine" in found.err


def test_a_preflight_warning_is_a_warning_of_the_capture(share: Path, card: Path) -> None:
    inside = card.rename(share / "card.img")
    found = backupctl(share, "capture", "--board", "greenhouse", "--source", inside, "--json", code=4)
    assert any("lies on the share itself" in text for text in json.loads(found.out)["warnings"])
