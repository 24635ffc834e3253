"""What a capture of a board's files says of its card, against sfdisk, dumpe2fs, blkid, fsck.vfat and zstd."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.card_file import FileReader
from backupctl.domain.errors import Damaged
from backupctl.formats.volume_making import names_of
from backupctl.operations.capturing.board_layout import layout_of_board, plan_head, take_head
from backupctl.operations.card_map import read_card_map
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Stop
from backupctl.operations.proving.files_beside import faults_beside
from backupctl.share.card_head import read_head
from backupctl.share.shelf import open_shelf
from tests.booting_card import make_booting_card
from tests.card_images import MIB, require_tools, run
from tests.program import backupctl

pytestmark = pytest.mark.formats

FAT_WORDS = {
    "sector_size": "bytes per logical sector",
    "cluster_size": "bytes per cluster",
    "reserved_sectors": "reserved sectors",
    "root_entries": "root directory entries",
}
IDENTITY = "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c0aa"
MARKER = b"second stage of an invented boot loader"


def marked(path: Path, place: int, marker: bytes = MARKER) -> None:
    with path.open("r+b") as file:
        file.seek(place)
        file.write(marker)


def blkid(path: Path, offset: int = 0) -> dict[str, str]:
    said = run("blkid", "-p", "-o", "export", "-O", str(offset), path)
    return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)


def volume(layout: dict[str, object], number: int) -> dict[str, Any]:
    volumes: Any = layout["volumes"]
    return next(each for each in volumes if each["partition"] == number)


@pytest.mark.parametrize(
    "options", [(), ("-O", "^has_journal,^64bit,^metadata_csum,inline_data", "-I", "512", "-b", "1024")]
)
def test_a_card(tmp_path: Path, options: tuple[str, ...]) -> None:
    require_tools()
    trees = tmp_path / "root", tmp_path / "boot"
    for tree in trees:
        tree.mkdir()
    (trees[1] / "cmdline.txt").write_text("root=PARTUUID=5eed0006-02\n")
    card = make_booting_card(tmp_path, *trees, root_mib=40, options=options)
    marked(card.path, 17 * 512)
    with FileReader(card.path) as reader:
        layout = layout_of_board(reader, read_card_map(reader, None), {1: "/boot/firmware", 2: "/"})
    table = json.loads(run("sfdisk", "--json", card.path))["partitiontable"]
    assert (layout["scheme"], f"0x{layout['identity']}") == ("mbr", table["id"])
    assert layout["size"] == card.path.stat().st_size
    for number, said in enumerate(table["partitions"], 1):
        found = volume(layout, number)
        assert (found["start"], found["end"]) == (said["start"] * 512, (said["start"] + said["size"]) * 512)
        assert found["type"].lstrip("0") == said["type"]
        known = blkid(card.path, found["start"])
        assert (found["kind"][:3], found["label"]) == (known["TYPE"].replace("vfat", "fat")[:3], known["LABEL"])
        assert found["identity"] == known["UUID"]
    assert [volume(layout, n)["mounted"] for n in (1, 2)] == ["/boot/firmware", "/"]
    told = run("dumpe2fs", "-h", f"{card.path}?offset={card.root_start}")
    said = dict(line.split(":", 1) for line in told.splitlines() if ":" in line)
    made = volume(layout, 2)["made"]
    assert set(made["features"]) == set(said["Filesystem features"].split())
    numbers = [int(said[key]) for key in ("Block size", "Inode size", "Inode count")]
    assert [made[key] for key in ("block_size", "inode_size", "inodes")] == numbers
    assert made["reserved_percent"] == pytest.approx(
        100 * int(said["Reserved block count"]) / int(said["Block count"]), abs=0.01
    )
    checked = run("fsck.vfat", "-nv", _cut(card.path, MIB, 24 * MIB, tmp_path / "fat"))
    made = volume(layout, 1)["made"]
    for key, words in FAT_WORDS.items():
        assert f"{made[key]} {words}" in " ".join(checked.split()), words
    assert f"{made['tables']} FATs, {made['bits']} bit entries" in " ".join(checked.split())


def test_the_head_comes_back_with_zstd_and_dd(tmp_path: Path) -> None:
    require_tools()
    for tree in ("root", "boot"):
        (tmp_path / tree).mkdir()
    card = make_booting_card(tmp_path, tmp_path / "root", tmp_path / "boot", root_mib=8)
    raw, size = 35 * MIB, 2 * MIB
    with card.path.open("r+b") as file:
        file.truncate(40 * MIB)
    run("sfdisk", "-q", "--append", card.path, stdin=f"start={raw // 512}, size={size // 512}, type=da\n")
    for place in (400, 17 * 512, raw + 5):
        marked(card.path, place)
    share = tmp_path / "share"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    backupctl(share, "capture", "--board", "shed", "--source", card.path, code=4)
    shelf = open_shelf(share, "shed")
    record = captures_of(shelf)[0].records[0]
    with FileReader(card.path) as reader:
        found = read_card_map(reader, None)
        plan = plan_head(found, {1: "/boot/firmware", 2: "/"})
        assert not plan.warnings
        head = take_head(reader, plan, shelf, record.id, True, Stop())
        # A file system that was not mounted is said, and not taken as bytes.
        assert "partition 2 (ext4" in plan_head(found, {1: "/boot"}).warnings[0]
    stored = shelf.path / "captures" / record.id / "head.zst"
    content = subprocess.run(["zstd", "-dc", stored], capture_output=True, check=True).stdout
    rebuilt = bytearray(card.path.stat().st_size)
    at = 0
    for start, end in head.ranges:
        rebuilt[start:end] = content[at : at + end - start]
        at += end - start
    assert at == len(content)
    original = card.path.read_bytes()
    assert rebuilt[:MIB] == original[:MIB]
    assert rebuilt[raw : raw + size] == original[raw : raw + size]
    assert MARKER in original[raw : raw + size]
    told = replace(record, head=head)
    assert [(start, start + len(piece)) for start, piece in read_head(shelf.storage, told)] == list(head.ranges)
    assert list(faults_beside(shelf, told, True, Stop())) == []
    damaged = bytearray(stored.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    stored.write_bytes(damaged)
    with pytest.raises(Damaged, match="other bytes"):
        list(read_head(shelf.storage, told))
    assert "no card can be made" in next(faults_beside(shelf, told, True, Stop()))


@pytest.mark.parametrize(
    ("kind", "command"),
    [
        ("btrfs", ("mkfs.btrfs", "-q", "-L", "harvest", "-U", IDENTITY)),
        ("f2fs", ("mkfs.f2fs", "-q", "-l", "harvest", "-U", IDENTITY)),
        ("xfs", ("mkfs.xfs", "-q", "-L", "harvest", "-m", f"uuid={IDENTITY}")),
    ],
)
def test_names_of_other_file_systems(tmp_path: Path, kind: str, command: tuple[str, ...]) -> None:
    if shutil.which(command[0]) is None:
        pytest.skip(f"needs {command[0]}")
    image = tmp_path / "image"
    with image.open("wb") as file:
        file.truncate(400 * MIB)
    run(*command, image)
    known = blkid(image)
    with FileReader(image) as reader:
        assert names_of(reader, kind) == (known["LABEL"], known["UUID"]) and known["UUID"] == IDENTITY


def _cut(card: Path, start: int, size: int, to: Path) -> Path:
    with card.open("rb") as file:
        file.seek(start)
        to.write_bytes(file.read(size))
    return to
