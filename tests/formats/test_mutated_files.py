"""File systems that lie: whatever the bytes, a walk through all files ends soon, with Malformed as the only error.

The images are made by mke2fs, debugfs, mkfs.vfat and mtools; without checksums, so that what is changed is believed.
"""

from __future__ import annotations

import random
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.formats.ext4_files import Ext4Tree
from backupctl.formats.fat_files import FatTree
from backupctl.formats.file_tree import FileTree, Node
from backupctl.formats.reader import ReadAt, check_bounds
from tests.formats.ext4_images import require_tools, run
from tests.formats.test_fat_files import mtools

pytestmark = pytest.mark.formats

# A walk over the whole of an image as it was made takes some hundred reads.
_READS_MOST = 20_000
_PIECES_MOST = 20_000
_CHUNK = 1 << 20


@dataclass
class Changed:
    """ReadAt over bytes of which some are others; counts."""

    data: bytes
    changes: dict[int, bytes]
    reads: int = field(default=0)

    @property
    def size(self) -> int:
        return len(self.data)

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        self.reads += 1
        assert self.reads < _READS_MOST, "a walk without end"
        found = bytearray(self.data[offset : offset + length])
        for at, value in self.changes.items():
            low, high = max(at, offset), min(at + len(value), offset + length)
            if low < high:
                found[low - offset : high - offset] = value[low - at : high - at]
        return bytes(found)


@dataclass(frozen=True)
class Sample:
    """An image, where its metadata stands, and how it is opened."""

    data: bytes
    metadata: tuple[tuple[int, int], ...]
    opened: Callable[[ReadAt], FileTree]


def walk(tree: FileTree) -> int:
    """Goes through everything that a pick would, each folder once; how many nodes there were."""
    count, seen, waiting = 0, set[int](), [tree.root]
    while waiting:
        folder = waiting.pop()
        if folder.number in seen:
            continue
        seen.add(folder.number)
        try:
            for name, number in tree.names(folder):
                assert name and b"/" not in name and b"\0" not in name
                try:
                    node = tree.node(number)
                    count += 1
                    look_at(tree, node)
                    waiting += [node] if node.kind == "folder" else []
                except Malformed:
                    pass
        except Malformed:
            pass
    return count


def look_at(tree: FileTree, node: Node) -> None:
    tree.attributes(node)
    if node.kind == "link":
        assert 0 < len(tree.target(node)) <= 4096
    if node.kind != "file":
        return
    end = 0
    for count, piece in enumerate(tree.pieces(node)):
        assert piece.offset >= end
        assert piece.length > 0
        end = piece.offset + piece.length
        assert count < _PIECES_MOST
    assert end <= node.size
    for offset in (0, max(0, node.size - 10)):
        length = min(_CHUNK, node.size - offset)
        assert len(tree.read(node, offset, _CHUNK)) == length


def ext4_sample(folder: Path, *options: str) -> Sample:
    require_tools()
    rng = random.Random(4)
    tree, image, script = folder / "tree", folder / "image", folder / "commands"
    for number in range(40):
        path = tree / f"room{number % 5}" / f"reading {number:03}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(rng.choice((5, 100, 3000, 40000))))
    (tree / "link").symlink_to("t" * 40)
    (tree / "long").symlink_to("t" * 400)
    run("mke2fs", "-q", "-F", "-O", "^metadata_csum", "-b", "1024", *options, "-d", tree, image, "4M")
    big = folder / "big"
    big.write_bytes(rng.randbytes(600_000))
    lines = [f"write {big} /big", *(f"punch /big {at} {at}" for at in range(1, 580, 3))]
    lines += [f"ea_set /big user.note{n} {'v' * 40}" for n in range(4)]
    script.write_text("\n".join(lines))
    run("debugfs", "-w", "-f", script, image)
    data = image.read_bytes()
    # Superblock, descriptors and inode tables, and blocks that the map of a file or a folder stands in.
    stretches = [(1024, 4096)]
    for line in run("dumpe2fs", image).splitlines():
        if "Inode table at " in line:
            first, last = line.split("at ")[1].split(" ")[0].split("-")
            stretches.append((int(first) * 1024, min(int(last) + 1, int(first) + 12) * 1024))
    for number in range(60, len(data) // 1024):
        block = data[number * 1024 : (number + 1) * 1024]
        if block[:2] == b"\x0a\xf3" or b"reading 0" in block or block[:4] == b"\0\0\x02\xea":
            stretches.append((number * 1024, (number + 1) * 1024))
    return Sample(data, tuple(stretches), Ext4Tree)


def fat_sample(folder: Path, bits: str) -> Sample:
    rng = random.Random(5)
    tree, image = folder / "tree", folder / "image"
    for number in range(30):
        path = tree / f"room{number % 5}" / f"a reading of the day {number:03}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(rng.choice((5, 100, 3000, 20000))))
    size, *options = {"12": ("1M",), "16": ("9M", "-s1"), "32": ("34M", "-s1")}[bits]
    subprocess.run(["truncate", "-s", size, image], check=True)
    subprocess.run(["mkfs.vfat", "-F", bits, *options, image], stdout=subprocess.DEVNULL, check=True)
    mtools("mcopy", "-s", "-i", image, *sorted(tree.iterdir()), "::")
    data = image.read_bytes()
    stretches = [(0, 96)]
    tables = {"12": 512, "16": 512 * 4, "32": 512 * 32}[bits]
    stretches.append((tables, tables + 1024))
    at = data.find(b"ROOM0")
    stretches.append((at, at + 512))
    stretches += [(at - 64, at + 200) for at in range(64, len(data) - 200, 32) if data[at : at + 6] == b"AREADI"]
    return Sample(data, tuple(stretches), FatTree)


MAKERS: dict[str, tuple[Callable[..., Sample], tuple[str, ...]]] = {
    "extents": (ext4_sample, ("-t", "ext4", "-O", "inline_data", "-I", "512")),
    "numbers": (ext4_sample, ("-t", "ext2", "-I", "256")),
    "fat12": (fat_sample, ("12",)),
    "fat16": (fat_sample, ("16",)),
    "fat32": (fat_sample, ("32",)),
}


@pytest.fixture(scope="module", params=MAKERS)
def sample(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Sample:
    maker, options = MAKERS[request.param]
    made = maker(tmp_path_factory.mktemp("sample"), *options)
    assert walk(made.opened(Changed(made.data, {}))) > 30
    return made


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(draw=st.data())
def test_any_change_ends_in_files_or_in_malformed(sample: Sample, draw: st.DataObject) -> None:
    changes = {}
    for _ in range(draw.draw(st.integers(1, 5))):
        low, high = draw.draw(st.sampled_from(sample.metadata))
        at = draw.draw(st.integers(low, high - 1))
        # A number from elsewhere in the metadata is a lie that looks true: another block, another inode, a large size.
        if draw.draw(st.booleans()):
            low, high = draw.draw(st.sampled_from(sample.metadata))
            other = draw.draw(st.integers(low, high - 1))
            changes[at & ~3] = sample.data[other & ~3 : (other & ~3) + 4]
        else:
            changes[at] = draw.draw(st.binary(min_size=1, max_size=4) | st.sampled_from((b"\xff" * 4, bytes(8))))
    try:
        tree = sample.opened(Changed(sample.data, changes))
        _ = tree.root
    except Malformed:
        return
    walk(tree)
