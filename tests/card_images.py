"""Card files with real file systems, made by ordinary tools without mounting anything; their content is invented.

Every card has marker bytes wherever no file system keeps anything: boot code, gaps, block 0 of the ext4, the tail of
its partition, and what lies behind the last partition. What is free there is asked of outside tools only.
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from tests.formats.ext4_images import free_by_dumpe2fs

MIB = 1 << 20
TOOLS = ("sfdisk", "mke2fs", "debugfs", "dumpe2fs", "e2fsck", "mkfs.vfat", "fsck.vfat", "mcopy", "mkswap")
ROOT_UUID = "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c001"
SWAP_UUID = "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c002"
FILES = 160


def require_tools() -> None:
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")


def run(*arguments: str | Path, stdin: str = "") -> str:
    """A tool's output; its success is required."""
    environment = os.environ | {"LC_ALL": "C.UTF-8", "MTOOLS_SKIP_CHECK": "1", "DEBUGFS_PAGER": "cat"}
    done = subprocess.run(
        [str(argument) for argument in arguments],
        input=stdin, capture_output=True, text=True, errors="replace", env=environment, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{arguments}: {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
    return done.stdout


@dataclass(frozen=True)
class Volume:
    """A file system on a card; `start` and `size` in bytes, `tree` what was put into it."""

    kind: str  # "ext4", "fat", "swap"
    start: int
    size: int
    tree: Path | None = None


@dataclass(frozen=True)
class Card:
    """A card file; `markers` are bytes that stand outside all file systems, by offset."""

    path: Path
    volumes: tuple[Volume, ...]
    markers: dict[int, bytes] = field(default_factory=dict)

    def volume(self, kind: str) -> Volume:
        return next(volume for volume in self.volumes if volume.kind == kind)


def make_tree(folder: Path, count: int, seed: int) -> Path:
    """Invented files: readings, text that compresses, some empty ones, much noise, a long run of zeros."""
    rng = random.Random(seed)
    for number in range(count):
        place = folder / f"room{number % 7}"
        place.mkdir(parents=True, exist_ok=True)
        size = rng.choice((0, 10, 900, 5000, 20000, 70000))
        content = rng.randbytes(size) if number % 2 else b"21.5 degrees at the north door\n" * (size // 31)
        (place / f"reading{number:03}").write_bytes(content)
    (folder / "firmware").write_bytes(rng.randbytes(4 * MIB))
    (folder / "empty-log").write_bytes(bytes(3 * MIB) + b"end")
    return folder


def mbr_card(folder: Path, size: int = 72 * MIB) -> Card:
    """An MBR, FAT at 1 MiB, ext4 at 26 MiB in a partition that ends 2 MiB before the card does."""
    path = _blank(folder, size)
    fat, ext4 = (MIB, 24 * MIB), (26 * MIB, size - 28 * MIB)
    lines = [f"start={start // 512}, size={length // 512}, type={kind}" for (start, length), kind in
             ((fat, "c"), (ext4, "83"))]  # fmt: skip
    run("sfdisk", "-q", path, stdin="\n".join(["label: dos", "label-id: 0x5eed0001", *lines]) + "\n")
    volumes = (_make_fat(folder, path, *fat), _make_ext4(folder, path, *ext4))
    markers = {0: 440, 512: 4096, 25 * MIB: 70000, ext4[0]: 1024, ext4[0] + ext4[1] - 40000: 40000, size - 5000: 5000}
    return _marked(path, volumes, markers)


def gpt_card(folder: Path, size: int = 72 * MIB) -> Card:
    """As `mbr_card`, with a GPT."""
    path = _blank(folder, size)
    fat, ext4 = (MIB, 24 * MIB), (26 * MIB, size - 28 * MIB)
    table = [
        "label: gpt", "label-id: 5EED0001-0000-4000-8000-000000000001",
        f"start={fat[0] // 512}, size={fat[1] // 512}, type=U, uuid=5EED0001-0000-4000-8000-000000000002",
        f"start={ext4[0] // 512}, size={ext4[1] // 512}, type=L, uuid=5EED0001-0000-4000-8000-000000000003",
    ]  # fmt: skip
    run("sfdisk", "-q", path, stdin="\n".join(table) + "\n")
    volumes = (_make_fat(folder, path, *fat), _make_ext4(folder, path, *ext4))
    markers = {0: 440, 20000: 4096, 25 * MIB: 70000, ext4[0]: 1024, ext4[0] + ext4[1] - 40000: 40000, size - MIB: 5000}
    return _marked(path, volumes, markers)


def logical_card(folder: Path, size: int = 72 * MIB) -> Card:
    """An MBR whose FAT is primary, and whose ext4 and swap are logical partitions."""
    path = _blank(folder, size)
    fat, ext4, swap = (MIB, 16 * MIB), (20 * MIB, 40 * MIB), (62 * MIB, 8 * MIB)
    table = [
        "label: dos", "label-id: 0x5eed0002",
        f"start={fat[0] // 512}, size={fat[1] // 512}, type=c",
        f"start={18 * MIB // 512}, size={53 * MIB // 512}, type=5",
        "",  # sfdisk numbers logical partitions from 5 by themselves once it is inside an extended one
    ]  # fmt: skip
    logical = [f"{path}{number} : start={start // 512}, size={length // 512}, type={kind}"
               for number, (start, length), kind in ((5, ext4, "83"), (6, swap, "82"))]  # fmt: skip
    table[2:4] = [f"{path}1 : {table[2]}", f"{path}2 : {table[3]}"]
    run("sfdisk", "-q", path, stdin="\n".join([*table[:4], *logical]) + "\n")
    volumes = (_make_fat(folder, path, *fat), _make_ext4(folder, path, *ext4), _make_swap(folder, path, *swap))
    markers = {0: 440, 512: 4096, 17 * MIB: 3000, 61 * MIB + 4096: 3000, ext4[0]: 1024, size - 5000: 5000}
    return _marked(path, volumes, markers)


def bare_ext4(folder: Path, size: int = 48 * MIB) -> Card:
    """No table: one ext4 over the card, which is 70000 bytes longer than it."""
    path = _blank(folder, size)
    volume = _make_ext4(folder, path, 0, size - 69632)
    return _marked(path, (volume,), {0: 1024, size - 69632: 69632})


def bare_fat(folder: Path, size: int = 40 * MIB) -> Card:
    """No table: one FAT over the card."""
    path = _blank(folder, size)
    return Card(path, (_make_fat(folder, path, 0, size),))


def lying_card(folder: Path, lie: str, size: int = 48 * MIB) -> Card:
    """`mbr_card` with a second entry that overlaps the first ("overlap") or goes beyond the card ("beyond")."""
    card = mbr_card(folder, size)
    start, sectors = {"overlap": (20 * MIB // 512, 8 * MIB // 512), "beyond": (26 * MIB // 512, size // 512)}[lie]
    with card.path.open("r+b") as file:
        file.seek(446 + 16 + 8)  # UEFI, section 5.2.1: the second entry's start and size
        file.write(struct.pack("<II", start, sectors))
    return card


def _blank(folder: Path, size: int) -> Path:
    require_tools()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "card.img"
    with path.open("wb") as file:
        file.truncate(size)
    return path


def _marked(path: Path, volumes: tuple[Volume, ...], places: dict[int, int]) -> Card:
    rng = random.Random(4711)
    markers = {offset: rng.randbytes(length) for offset, length in places.items()}
    with path.open("r+b") as file:
        for offset, content in markers.items():
            file.seek(offset)
            file.write(content)
    return Card(path, volumes, markers)


def _make_fat(folder: Path, card: Path, start: int, size: int) -> Volume:
    tree = make_tree(folder / "boot", FILES // 4, 1)
    image = folder / "fat.img"
    with image.open("wb") as file:
        file.truncate(size)
    run("mkfs.vfat", "-n", "BOOT", "-i", "5eed0003", image)
    run("mcopy", "-s", "-i", image, *sorted(tree.iterdir()), "::")
    _put(image, card, start)
    return Volume("fat", start, size, tree)


def _make_ext4(folder: Path, card: Path, start: int, size: int) -> Volume:
    """The file system is 64 KiB smaller than `size`. Deleted files leave their content in free space."""
    tree = make_tree(folder / "root", FILES, 2)
    (tree / "Gewächshaus").write_bytes(b"tomatoes")
    gone = [tree / "room1" / f"deleted{number}" for number in range(8)]
    for number, path in enumerate(gone):
        path.write_bytes(random.Random(number).randbytes(400_000))
    image = folder / "ext4.img"
    seed = f"hash_seed={ROOT_UUID},root_owner=0:0"
    blocks = f"{(size - 65536) // 1024}k"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-L", "root", "-U", ROOT_UUID, "-E", seed, "-d", tree, image, blocks)
    script = folder / "rm.debugfs"
    script.write_text("".join(f"rm /room1/{path.name}\n" for path in gone))
    run("debugfs", "-w", "-f", script, image)
    for path in gone:
        path.unlink()
    _put(image, card, start)
    return Volume("ext4", start, size, tree)


def _make_swap(folder: Path, card: Path, start: int, size: int) -> Volume:
    image = folder / "swap.img"
    image.write_bytes(random.Random(6).randbytes(size))
    run("mkswap", "-U", SWAP_UUID, image)
    _put(image, card, start)
    return Volume("swap", start, size)


def _put(image: Path, card: Path, start: int) -> None:
    with card.open("r+b") as file:
        file.seek(start)
        file.write(image.read_bytes())
    image.unlink()


def take_out(card: Path, volume: Volume, into: Path) -> Path:
    """A volume of a card as a file of its own."""
    with card.open("rb") as file:
        file.seek(volume.start)
        into.write_bytes(file.read(volume.size))
    return into


def free_by_tools(card: Path, volumes: tuple[Volume, ...], scratch: Path) -> Ranges:
    """Free bytes of a card: dumpe2fs's lists for ext4, the table's zeros for FAT, all but the first page of swap."""
    free: list[tuple[int, int]] = []
    for volume in volumes:
        alone = take_out(card, volume, scratch / "volume.img")
        if volume.kind == "ext4":
            found = free_by_dumpe2fs(alone)
        elif volume.kind == "fat":
            found = free_by_fat(alone.read_bytes())
        else:
            found = Ranges([(4096, volume.size)])
        free += found.shifted(volume.start)
    return Ranges(free)


def free_by_fat(volume: bytes) -> Ranges:
    """Clusters whose entry is zero: FATGEN 1.03, "FAT Data Structure" and "FAT Type Determination"."""
    sector, per_cluster, reserved, tables, root_entries, total16 = struct.unpack_from("<HBHBHH", volume, 11)
    fat16, total32, fat32 = (struct.unpack_from(f, volume, at)[0] for f, at in (("<H", 22), ("<I", 32), ("<I", 36)))
    table_sectors = fat16 or fat32
    first = reserved + tables * table_sectors + -(-root_entries * 32 // sector)
    clusters = ((total16 or total32) - first) // per_cluster
    assert clusters >= 4085, "FAT12 is not read here"
    width, mask = (2, 0xFFFF) if clusters < 65525 else (4, 0x0FFFFFFF)
    step, start, table = per_cluster * sector, first * sector, reserved * sector
    return Ranges(
        (start + (n - 2) * step, start + (n - 1) * step)
        for n in range(2, clusters + 2)
        if not int.from_bytes(volume[table + n * width : table + (n + 1) * width], "little") & mask
    )
