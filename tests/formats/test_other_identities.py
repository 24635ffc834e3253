"""How small a file system can be, and other serials, by the programs that are the measure of both."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from backupctl.board.card_file import FileReader
from backupctl.domain.identities import Renaming
from backupctl.formats import ext4
from backupctl.formats.ext4_least import least_blocks, used_blocks
from backupctl.formats.volume_identity import fat_serial_patches
from tests.card_images import MIB, make_tree, run

pytestmark = pytest.mark.formats


@pytest.mark.parametrize(
    "options",
    ["-t ext4 -b 4096", "-t ext4 -b 1024", "-t ext2 -b 1024", "-t ext4 -b 4096 -O ^resize_inode,^flex_bg,^64bit",
     "-t ext4 -b 1024 -N 60000", "-t ext4 -O bigalloc -C 16384"],
)  # fmt: skip
def test_no_shrinking_gets_below_the_bound(tmp_path: Path, options: str) -> None:
    if not shutil.which("resize2fs"):
        pytest.skip("not installed: resize2fs")
    image = tmp_path / "image"
    tree = make_tree(tmp_path / "tree", 60, 3)
    run("mke2fs", "-q", "-F", *options.split(), "-d", tree, image, "300m")
    with FileReader(image) as reader:
        superblock = ext4.parse_superblock(reader.read_at(1024, 1024))
    assert superblock
    counts = [int(re.findall(rf"^{name}: +(\d+)", run("dumpe2fs", "-h", image), re.MULTILINE)[0])
              for name in ("Block count", "Free blocks")]  # fmt: skip
    assert used_blocks(superblock) == counts[0] - counts[1]
    run("e2fsck", "-fp", image)
    run("resize2fs", "-M", image)
    smallest = int(re.findall(r"^Block count: +(\d+)", run("dumpe2fs", "-h", image), re.MULTILINE)[0])
    assert least_blocks(superblock) <= smallest
    if "bigalloc" not in options:
        assert least_blocks(superblock) > smallest / 3  # resize2fs keeps much room to be on the safe side


@pytest.mark.parametrize(("bits", "size"), [("12", 2), ("16", 20), ("32", 40)])
def test_another_serial(tmp_path: Path, bits: str, size: int) -> None:
    image = tmp_path / "image"
    with image.open("wb") as file:
        file.truncate(size * MIB)
    run("mkfs.vfat", "-F", bits, "-s", "1", "-i", "5eed0044", image)
    with FileReader(image) as reader:
        patches = fat_serial_patches(reader, f"fat{bits}", "00C0-FFEE")
    with image.open("r+b") as file:
        for offset, data in patches:
            file.seek(offset)
            file.write(data)
    assert run("blkid", "-p", "-o", "value", "-s", "UUID", image).strip() == "00C0-FFEE"
    # It compares the boot sector with its copy, which only FAT32 has.
    assert "differences" not in run("fsck.vfat", "-n", image)


def test_only_whole_identities_are_renamed() -> None:
    renaming = Renaming({"5eed0001-02": "c0ffee00-02", "5EED-0033": "ABCD-1234", "5eed0001": "c0ffee00"})
    text = b"root=PARTUUID=5eed0001-02 5EED0001-02 5eed0001-020 5eed0001-03 PTUUID=5eed0001 x5eed-0033 UUID=5EED-0033"
    changed = bytearray(text)
    for offset, other in renaming.places(text):
        changed[offset : offset + len(other)] = other
    assert bytes(changed) == (
        b"root=PARTUUID=c0ffee00-02 C0FFEE00-02 5eed0001-020 5eed0001-03 PTUUID=c0ffee00 x5eed-0033 UUID=ABCD-1234"
    )
