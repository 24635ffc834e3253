"""Free space and journal of ext2/3/4 as dumpe2fs and debugfs see them, on file systems of many layouts."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.ext4_map import read_volume
from tests.formats import ext4_images
from tests.formats.ext4_images import FileReader

pytestmark = pytest.mark.formats

TAIL = 12345  # bytes of the volume after the file system's end

# name: (size, options of mke2fs)
LAYOUTS = {
    "1 KiB blocks": ("64M", "-t ext4 -b 1024"),
    "2 KiB blocks": ("128M", "-t ext4 -b 2048"),
    "4 KiB blocks": ("300M", "-t ext4 -b 4096"),
    "64 KiB blocks": ("512M", "-t ext4 -b 65536"),
    "ext2": ("64M", "-t ext2 -b 1024"),
    "ext2, revision 0": ("32M", "-t ext2 -b 1024 -r 0"),
    "ext2, superblock copies everywhere": ("64M", "-t ext2 -b 1024 -O ^sparse_super,^resize_inode"),
    "ext3": ("64M", "-t ext3 -b 1024"),
    "ext3, 4 KiB blocks": ("300M", "-t ext3 -b 4096"),
    "short descriptors": ("300M", "-t ext4 -b 4096 -O ^64bit"),
    "short descriptors, 1 KiB blocks": ("64M", "-t ext4 -b 1024 -O ^64bit"),
    "meta_bg, 1 KiB blocks": ("300M", "-t ext4 -b 1024 -O meta_bg,^resize_inode"),
    "meta_bg, no flex_bg, not initialised": ("300M", "-t ext4 -b 1024 -O meta_bg,^resize_inode,^flex_bg"),
    "meta_bg, 4 KiB blocks": ("600M", "-t ext4 -b 4096 -O meta_bg,^resize_inode"),
    "sparse_super2": ("600M", "-t ext4 -b 4096 -O sparse_super2,^resize_inode"),
    "bigalloc": ("600M", "-t ext4 -b 4096 -O bigalloc -C 65536"),
    "bigalloc, 1 KiB blocks": ("500M", "-t ext4 -b 1024 -O bigalloc -C 16384"),
    "bigalloc, meta_bg, 1 KiB blocks": ("300M", "-t ext4 -b 1024 -O bigalloc,meta_bg,^resize_inode -C 8192"),
    "no flex_bg": ("600M", "-t ext4 -b 4096 -O ^flex_bg"),
    "crc16 of descriptors": ("600M", "-t ext4 -b 4096 -O ^metadata_csum,uninit_bg"),
    "crc16 of long descriptors": ("600M", "-t ext4 -b 4096 -O ^metadata_csum,uninit_bg,64bit"),
    "no checksums": ("300M", "-t ext4 -b 4096 -O ^metadata_csum,^uninit_bg"),
    "groups not initialised": ("2560M", "-t ext4 -b 4096"),
    "groups not initialised, few groups each flex_bg": ("1G", "-t ext4 -b 1024 -G 4"),
    "all structures in front": ("600M", "-t ext4 -b 4096 -E packed_meta_blocks=1"),
    "no journal": ("300M", "-t ext4 -b 4096 -O ^has_journal"),
    "fast_commit": ("300M", "-t ext4 -b 4096 -O fast_commit"),
    "fast_commit, large journal": ("600M", "-t ext4 -b 4096 -O fast_commit -J size=64,fast_commit_size=4096"),
    "seed in the superblock": ("300M", "-t ext4 -b 4096 -O metadata_csum_seed"),
    "orphan_file": ("300M", "-t ext4 -b 4096 -O orphan_file"),
    "many inodes": ("300M", "-t ext4 -b 4096 -N 50000"),
    "inodes of 128 bytes": ("300M", "-t ext4 -b 4096 -I 128"),
    "small last group": ("67000", "-t ext4 -b 4096"),
    "groups of 2048 blocks": ("200M", "-t ext4 -b 4096 -g 2048"),
    "features that change no bitmap": ("300M", "-t ext4 -b 4096 -O casefold,encrypt,verity,inline_data,large_dir,mmp"),
}


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    ext4_images.require_tools()
    return ext4_images.make_tree(tmp_path_factory.mktemp("tree"))


@pytest.fixture(scope="module", params=LAYOUTS, ids=str)
def image(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, tree: Path) -> Iterator[Path]:
    size, options = LAYOUTS[request.param]
    path = tmp_path_factory.mktemp("image") / "volume"
    yield ext4_images.make(path, size, *options.split(), tree=tree, tail=TAIL)
    path.unlink()


def mapped(image: Path) -> VolumeMap:
    found = read_volume(FileReader(image))
    assert found is not None
    return found


def test_every_byte_is_classed_as_the_tools_say(image: Path) -> None:
    found = mapped(image)
    assert found.warnings == ()
    header = ext4_images.fields(image)
    block = int(header["Block size"])
    assert found.label == "rooftop"
    assert found.identity == header["Filesystem UUID"]
    assert found.block_size == int(header.get("Cluster size", block))

    assert found.free == ext4_images.free_by_dumpe2fs(image)
    assert found.free.total == int(header["Free blocks"]) * block  # dumpe2fs counts blocks here, not clusters
    assert len(found.free) > 20, "the image should be in pieces"
    assert found.free.end <= int(header["Block count"]) * block
    assert not found.free.touches(0, 2048)

    journal = ext4_images.journal_by_debugfs(image) if "has_journal" in header["Filesystem features"] else []
    blocks = [block for start, end in journal for block in range(start, end)]
    assert found.zero == Ranges((number * block, number * block + block) for number in blocks[1:])
    if blocks:
        assert len(blocks) == int(header["Total journal blocks"])
    assert not found.free & found.zero


def test_sum_of_groups_equals_the_superblocks_count(image: Path) -> None:
    """Kernel documentation, filesystems/ext4: bg_free_blocks_count counts clusters, s_free_blocks_count blocks."""
    header = ext4_images.fields(image)
    block = int(header["Block size"])
    cluster = int(header.get("Cluster size", block))
    free = mapped(image).free
    text = ext4_images.run("dumpe2fs", image)
    groups = re.findall(r"^Group \d+: \(Blocks (\d+)-(\d+)\)", text, re.MULTILINE)
    counts = re.findall(r"^  (\d+) free (?:blocks|clusters),", text, re.MULTILINE)
    assert len(groups) == len(counts) > 0
    in_use = 0
    for (first, last), count in zip(groups, counts, strict=True):
        start, end = int(first) * block, (int(last) + 1) * block
        # A cluster that the file system's end cuts short is one cluster in the count.
        assert sum(-(-(high - low) // cluster) for low, high in free.within(start, end)) == int(count)
        in_use += end - start - sum(high - low for low, high in free.within(start, end))
    first_block = int(header["First block"])
    assert in_use == (int(header["Block count"]) - first_block - int(header["Free blocks"])) * block


def test_what_is_left_out_is_not_missed(image: Path, tmp_path: Path) -> None:
    """Rubbish in free space and zeros in the journal: e2fsck finds nothing to say, and every file is as it was."""
    found = mapped(image)
    copy = tmp_path / "copy"
    ext4_images.run("cp", "--sparse=always", image, copy)
    with copy.open("r+b") as file:
        for ranges, filler in ((found.free, b"\xee"), (found.zero, b"\0")):
            for start, end in ranges:
                # Both ends of a long range do, to keep sparse files sparse.
                for at in {start, max(start, end - 65536)}:
                    file.seek(at)
                    file.write(filler * min(65536, end - at))
    ext4_images.run("e2fsck", "-fn", copy)
    before, after = contents(image, tmp_path / "before"), contents(copy, tmp_path / "after")
    assert len(before) == 60
    assert after == before


def contents(image: Path, folder: Path) -> dict[Path, bytes]:
    folder.mkdir()
    ext4_images.run("debugfs", "-R", f"rdump / {folder}", image)
    return {file.relative_to(folder): file.read_bytes() for file in folder.rglob("reading*")}


@pytest.mark.skipif(shutil.which("blkid") is None, reason="blkid (util-linux) is not installed")
def test_kind_is_what_blkid_says(image: Path) -> None:
    assert mapped(image).kind == ext4_images.run("blkid", "-p", "-s", "TYPE", "-o", "value", image).strip()
