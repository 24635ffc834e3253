"""Files read from FAT12, FAT16 and FAT32 against mtools 4.0, which wrote them and reads them back."""

from __future__ import annotations

import os
import random
import subprocess
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from backupctl.domain.errors import Malformed
from backupctl.formats.fat_files import FatTree
from tests.formats.ext4_images import FileReader
from tests.real_tree import described
from tests.tree_reading import describe, walk

pytestmark = pytest.mark.formats

SIZES = {"12": ("4M", "-s4"), "16": ("40M", "-s4"), "32": ("70M", "-s1")}


def mtools(*words: str | Path) -> str:
    environment = {**os.environ, "TZ": "UTC", "LC_ALL": "C.UTF-8", "MTOOLS_SKIP_CHECK": "1"}
    done = subprocess.run([str(word) for word in words], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def make(folder: Path, bits: str) -> tuple[Path, Path]:
    """A FAT with invented files, in pieces and with many deleted entries; and a folder that has the same."""
    rng = random.Random(12)
    tree, image = folder / "tree", folder / "image"
    for name in (
        "A Longer name, mit ä and ☃.txt",
        "SHORT.TXT",
        "lower.txt",
        "Mixed.Txt",
        "x" * 255,
        "zero",
        "+,;=[] signs",
    ):
        path = tree / "a folder" / "and.one below" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(0 if name == "zero" else rng.randrange(1, 60000)))
    (tree / "CONFIG.TXT").write_bytes(rng.randbytes(777))
    for number in range(250):
        path = tree / "many" / f"reading number {number:04} of the day"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(rng.randbytes(rng.randrange(1, 9000)))
    for number, path in enumerate(sorted(tree.rglob("*"))):
        os.utime(path, (0, int(datetime(2026, 3, 1, 8, 0, 2, tzinfo=UTC).timestamp()) + 3602 * number))

    size, cluster = SIZES[bits]
    subprocess.run(["truncate", "-s", size, image], check=True)
    subprocess.run(["mkfs.vfat", "-F", bits, cluster, image], stdout=subprocess.DEVNULL, check=True)
    mtools("mcopy", "-s", "-m", "-i", image, *sorted(tree.iterdir()), "::")
    gone = []
    for path in sorted((tree / "many").iterdir())[::2]:
        path.unlink()
        gone.append(f"::many/{path.name}")
    mtools("mdel", "-i", image, *gone)
    (tree / "in pieces").write_bytes(rng.randbytes(400_000))
    os.utime(tree / "in pieces", (0, 1_800_000_000))
    mtools("mcopy", "-m", "-i", image, tree / "in pieces", "::")
    return tree, image


@pytest.mark.parametrize("bits", SIZES)
def test_every_file_is_as_mtools_has_it(bits: str, tmp_path: Path) -> None:
    tree, image = make(tmp_path, bits)
    back = tmp_path / "back"
    back.mkdir()
    mtools("mcopy", "-s", "-m", "-n", "-i", image, "::*", back)
    found = FatTree(FileReader(image))
    nodes = dict(walk(found))

    got = {path: describe(found, node) for path, node in nodes.items()}
    assert {path: value[5] for path, value in got.items()} == {
        str(path.relative_to(tree)): described(path)[5] for path in tree.rglob("*")
    }
    files = {str(path.relative_to(back)): described(path) for path in back.rglob("*") if path.is_file()}
    assert {path: value[4:] for path, value in got.items() if value[0] == "file"} == {
        path: value[4:] for path, value in files.items()
    }
    # mtools goes on behind what it wrote last, where FSInfo says so.
    assert len(list(found.pieces(nodes["in pieces"]))) > 20 or bits == "32"
    assert len({node.number for node in nodes.values()}) == len(nodes)
    folder = nodes["a folder/and.one below"]
    assert found.find(folder, b"short.txt") == nodes["a folder/and.one below/SHORT.TXT"]
    assert found.find(folder, b"none") is None

    east = FatTree(FileReader(image), timezone(timedelta(hours=2)))
    there = dict(walk(east))["CONFIG.TXT"]
    assert nodes["CONFIG.TXT"].modified_ns - there.modified_ns == 2 * 3600 * 10**9


def test_a_chain_that_bites_its_tail_is_said(tmp_path: Path) -> None:
    _, image = make(tmp_path, "16")
    with image.open("r+b") as file:
        reserved, sector = 4, 512
        file.seek(14)
        reserved = int.from_bytes(file.read(2), "little")
        node = dict(walk(FatTree(FileReader(image))))["in pieces"]
        file.seek(node.number + 26)
        first = int.from_bytes(file.read(2), "little")
        at = reserved * sector + 2 * first
        file.seek(at)
        second = int.from_bytes(file.read(2), "little")
        file.seek(reserved * sector + 2 * second)
        file.write(first.to_bytes(2, "little"))
    with pytest.raises(Malformed, match="without a loop"):
        list(FatTree(FileReader(image)).pieces(node))
