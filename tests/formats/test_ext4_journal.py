"""The journal where it is hard to find, and where it is not empty."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.ext4_map import read_volume
from tests.formats import ext4_images
from tests.formats.ext4_images import FileReader

pytestmark = pytest.mark.formats


def mapped(image: Path) -> VolumeMap:
    found = read_volume(FileReader(image))
    assert found is not None
    return found


def journal_bytes(image: Path) -> Ranges:
    """All of the journal but its first block, as debugfs lists it."""
    size = int(ext4_images.fields(image)["Block size"])
    blocks = [block for start, end in ext4_images.journal_by_debugfs(image) for block in range(start, end)]
    return Ranges((block * size, block * size + size) for block in blocks[1:])


def patch(image: Path, offset: int, new: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        assert file.read(len(new)) != new
        file.seek(offset)
        file.write(new)


def assert_whole(image: Path, reason: str) -> None:
    found = mapped(image)
    assert not found.free
    assert not found.zero
    assert re.search(reason, found.warnings[0]), found.warnings[0]


@pytest.fixture(scope="module")
def crumbs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thousands of files of one to three blocks."""
    ext4_images.require_tools()
    if shutil.which("tune2fs") is None:
        pytest.skip("tune2fs (e2fsprogs) is not installed")
    folder = tmp_path_factory.mktemp("crumbs")
    for number in range(6000):
        place = folder / f"bin{number // 500:02}"
        place.mkdir(exist_ok=True)
        (place / f"reading{number:04}").write_bytes(b"y" * (1 + number % 3 * 1024))
    return folder


def scattered(path: Path, kind: str, tree: Path) -> Path:
    """A file system whose journal was added when every second file of a full disk had gone."""
    options = ("-t", kind, "-b", "1024", "-O", "^has_journal", "-N", "8000")
    ext4_images.make(path, "17M", *options, tree=tree)
    ext4_images.run("tune2fs", "-J", "size=4", path)
    return path


@pytest.mark.parametrize("kind", ["ext4", "ext3"])
def test_journal_in_a_thousand_pieces(crumbs: Path, tmp_path: Path, kind: str) -> None:
    image = scattered(tmp_path / "volume", kind, crumbs)
    found = mapped(image)
    assert found.warnings == ()
    assert found.zero == journal_bytes(image)
    assert len(found.zero) > 1000
    assert found.zero.total == 4095 * 1024
    assert found.free == ext4_images.free_by_dumpe2fs(image)
    listed = ext4_images.run("debugfs", "-R", "stat <8>", image)
    # In three levels of extents; in pointer blocks up to the second level.
    assert re.search(r"^ *2/ 2 ", ext4_images.run("debugfs", "-R", "ex <8>", image), re.MULTILINE) or "(DIND)" in listed


def test_checksum_of_an_extent_block(crumbs: Path, tmp_path: Path) -> None:
    image = scattered(tmp_path / "volume", "ext4", crumbs)
    node = re.search(r"\(ETB1\):(\d+)", ext4_images.run("debugfs", "-R", "stat <8>", image))
    assert node
    patch(image, int(node[1]) * 1024 + 600, b"\x7f\x7f")
    assert_whole(image, "extent node .*checksum")


@pytest.mark.parametrize("kind", ["ext4", "ext3"])
def test_pieces_that_make_no_sense(crumbs: Path, tmp_path: Path, kind: str) -> None:
    """The inode's own map, without checksums: i_block at 0x28 ("inodes", kernel documentation filesystems/ext4)."""
    path = tmp_path / "volume"
    options = ("-t", kind, "-b", "1024", "-N", "8000", "-O", "^metadata_csum")
    ext4_images.make(path, "64M", *options)
    table = re.search(r"Inode table at (\d+)", ext4_images.run("dumpe2fs", path))
    assert table
    inode_size = int(ext4_images.fields(path)["Inode size"])
    blocks = int(table[1]) * 1024 + 7 * inode_size + 0x28
    # ext4: the first extent's length, then its place. ext3: a pointer to nowhere, a hole, a block twice.
    lies = {
        "ext4": (
            (0x10, b"\0\0"),
            (0x10, b"\1\x80"),
            (0x14, b"\xff\xff"),
            (0, b"\0"),
            (2, b"\0"),
            (6, b"\1"),
            (6, b"\7"),
        ),
        "ext3": ((0, b"\xff\xff\xff\x7f"), (4, bytes(4)), (0x30, bytes(4)), (0x34, b"\xff\xff\xff\x7f")),
    }[kind]
    whole = path.read_bytes()
    assert mapped(path).zero
    for offset, new in lies:
        patch(path, blocks + offset, new)
        assert_whole(path, "journal inode|extent|read at byte")
        path.write_bytes(whole)
    if kind == "ext3":
        patch(path, blocks + 8, whole[blocks + 4 : blocks + 8])
        assert_whole(path, "some blocks twice")


def test_a_journal_that_is_not_empty(tmp_path: Path) -> None:
    """debugfs writes a transaction (journal_open, journal_write), with a journal of checksums version 3."""
    ext4_images.require_tools()
    image = ext4_images.make(tmp_path / "volume", "100M", "-t", "ext4", "-b", "1024")
    script = tmp_path / "script"
    script.write_text("journal_open -c -v 3\njournal_write -b 50000 /dev/zero\njournal_close\n")
    ext4_images.run("debugfs", "-w", "-f", script, image)
    assert ext4_images.fields(image)["Journal start"] != "0"
    assert_whole(image, "needs_recovery")
    ext4_images.run("debugfs", "-w", "-R", "feature -needs_recovery", image)
    assert_whole(image, "jbd2 superblock .*needs no recovery, found a log from block 1")

    ext4_images.run("debugfs", "-w", "-R", "feature needs_recovery", image)
    ext4_images.run("debugfs", "-w", "-R", "journal_run", image)
    header = ext4_images.fields(image)
    assert header["Journal start"] == "0"
    assert "journal_checksum_v3" in header["Journal features"]
    found = mapped(image)
    assert found.warnings == ()
    assert found.free == ext4_images.free_by_dumpe2fs(image)
    assert found.zero == journal_bytes(image)

    superblock = ext4_images.journal_by_debugfs(image)[0][0] * 1024
    patch(image, superblock + 0x18, b"\x55")  # s_sequence
    assert_whole(image, "jbd2 superblock .*checksum")


@contextmanager
def mounted(image: Path, folder: Path) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(["mount", "-o", "loop", image, folder], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"no loop mount here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        ext4_images.run("umount", folder)


@pytest.mark.system
@pytest.mark.skipif(os.geteuid() != 0, reason="mounting needs root")
@pytest.mark.parametrize(
    "options",
    ["-t ext4", "-t ext4 -O fast_commit,orphan_file", "-t ext4 -O bigalloc", "-t ext3", "-t ext4 -O ^metadata_csum"],
)
def test_what_the_kernel_wrote(tmp_path: Path, options: str) -> None:
    """Mounted: whole. Unmounted: as dumpe2fs sees it, with the journal as the kernel left it."""
    ext4_images.require_tools()
    image = ext4_images.make(tmp_path / "volume", "600M", *options.split())
    with mounted(image, tmp_path / "mount") as folder:
        for number in range(300):
            (folder / f"log{number}").write_bytes(b"z" * (number * 700))
        for number in range(0, 300, 3):
            (folder / f"log{number}").unlink()
        os.sync()
        assert_whole(image, "needs_recovery|checksum")
    found = mapped(image)
    assert found.warnings == ()
    assert found.free == ext4_images.free_by_dumpe2fs(image)
    assert found.zero == journal_bytes(image)
    header = ext4_images.fields(image)
    assert header["Journal sequence"] != "0x00000001", "the kernel should have used the journal"
