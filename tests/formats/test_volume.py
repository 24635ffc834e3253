"""What a volume is taken for, against mkfs.* and `blkid -p`."""

from __future__ import annotations

import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.reader import BytesReader
from backupctl.formats.volume import read_volume
from tests.fat_image import SparseReader, fat16, fat32

pytestmark = pytest.mark.formats
MIB = 1 << 20


def need(*tools: str) -> None:
    missing = [tool for tool in tools if not shutil.which(tool)]
    if missing:
        pytest.skip(f"no {', '.join(missing)} here")


def run(*argv: str | Path, said: str = "") -> str:
    need(str(argv[0]))
    done = subprocess.run(argv, input=said, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, (argv, done.stderr)
    return done.stdout


def blkid(image: Path) -> str:
    return run("blkid", "-p", "-o", "value", "-s", "TYPE", image).strip()


def blank(folder: Path, size: int, fill: bytes = b"\0") -> Path:
    image = folder / "card"
    with image.open("wb") as file:
        file.write(fill * MIB)
        file.truncate(size)
    image.chmod(0o600)
    return image


def mapped(image: Path) -> VolumeMap:
    return read_volume(BytesReader(image.read_bytes()))


def assert_read_whole(found: VolumeMap, *words: str) -> None:
    assert (found.free, found.zero) == (Ranges(), Ranges())
    assert len(found.warnings) == 1
    assert found.warnings[0].startswith("read whole: ")
    for word in words:
        assert word in found.warnings[0]


@pytest.mark.parametrize(
    ("kind", "mebibytes", "argv"),
    [
        ("xfs", 320, ("mkfs.xfs", "-q")),
        ("btrfs", 128, ("mkfs.btrfs", "-q")),
        ("f2fs", 64, ("mkfs.f2fs", "-q")),
        ("exfat", 16, ("mkfs.exfat",)),
        ("ntfs", 16, ("mkfs.ntfs", "-F", "-Q", "-q")),
    ],
)
def test_file_systems_that_are_known_by_name_only(
    kind: str, mebibytes: int, argv: tuple[str, ...], tmp_path: Path
) -> None:
    image = blank(tmp_path, mebibytes * MIB)
    run(*argv, image)
    assert blkid(image) == kind
    found = mapped(image)
    assert found.kind == kind
    assert_read_whole(found, kind)


@pytest.mark.parametrize(
    ("kind", "argv"),
    [
        ("squashfs", ("mksquashfs", "TREE", "IMAGE", "-quiet", "-no-progress")),
        ("erofs", ("mkfs.erofs", "IMAGE", "TREE")),
        ("cramfs", ("mkfs.cramfs", "TREE", "IMAGE")),
        ("iso9660", ("xorriso", "-as", "mkisofs", "-quiet", "-o", "IMAGE", "TREE")),
    ],
)
def test_images_of_a_tree(kind: str, argv: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / "file").write_bytes(bytes(range(256)) * 1000)
    places = {"TREE": tmp_path / "tree", "IMAGE": tmp_path / "card"}
    run(*(places.get(word, word) for word in argv))
    assert blkid(tmp_path / "card") == kind
    assert mapped(tmp_path / "card").kind == kind
    assert_read_whole(mapped(tmp_path / "card"), kind)


def test_an_encrypted_container(tmp_path: Path) -> None:
    image = blank(tmp_path, 32 * MIB)
    cheap = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000")
    run("cryptsetup", "luksFormat", "-q", *cheap, image, "-", said="invented")
    assert blkid(image) == "crypto_LUKS"
    assert_read_whole(mapped(image), "luks")


def raid_1(version_offset: int) -> bytes:
    """Superblock of version 1: md(4) says where; its fields as blkid checks them."""
    head = struct.pack("<LLLL16s16s32s", 0xA92B4EFC, 1, 0, 0, b"S" * 16, b"set", b"name")
    return head.ljust(128, b"\0") + struct.pack("<QQQ", 0, 0, version_offset // 512)


def raid_090() -> bytes:
    return struct.pack("<LLLLL", 0xA92B4EFC, 0, 90, 0, 0).ljust(4096, b"\0")


def physical_volume(sector: int) -> bytes:
    rest = struct.pack("<L8s32s", 32, b"LVM2 001", b"A" * 32).ljust(512 - 20, b"\0")
    checksum = zlib.crc32(rest, 0xF597A6CF ^ 0xFFFFFFFF) ^ 0xFFFFFFFF
    return struct.pack("<8sQL", b"LABELONE", sector, checksum) + rest


@pytest.mark.parametrize(
    ("kind", "outside", "at", "superblock"),
    [
        ("mdraid", "linux_raid_member", 0, raid_1(0)),
        ("mdraid", "linux_raid_member", 4096, raid_1(4096)),
        ("mdraid", "linux_raid_member", 16 * MIB - 8192, raid_1(16 * MIB - 8192)),
        ("mdraid", "linux_raid_member", 16 * MIB - 65536, raid_090()),
        ("lvm2", "LVM2_member", 512, physical_volume(1)),
    ],
)
def test_members_of_something_larger(kind: str, outside: str, at: int, superblock: bytes, tmp_path: Path) -> None:
    image = blank(tmp_path, 16 * MIB)
    with image.open("r+b") as file:
        file.seek(at)
        file.write(superblock)
    assert blkid(image) == outside
    assert mapped(image).kind == kind
    assert_read_whole(mapped(image), kind)


@pytest.mark.parametrize(
    ("kind", "argv"),
    [
        ("ext4", ("mkfs.ext4", "-q", "-F")),
        ("fat16", ("mkfs.fat", "-F", "16")),
        ("fat32", ("mkfs.fat", "-F", "32", "-s", "1")),
        ("swap", ("mkswap",)),
    ],
)
def test_what_has_a_map_gets_it(kind: str, argv: tuple[str, ...], tmp_path: Path) -> None:
    image = blank(tmp_path, 64 * MIB)
    run(*argv, image)
    found = mapped(image)
    assert found.kind == kind
    assert found.free or found.zero
    assert found.warnings == ()


Maker = tuple[str, ...]
EXT4: Maker = ("mkfs.ext4", "-q", "-F")
SWAP: Maker = ("mkswap",)
FAT16: Maker = ("mkfs.fat", "-F", "16")
FAT32: Maker = ("mkfs.fat", "-F", "32", "-s", "1")
F2FS: Maker = ("mkfs.f2fs", "-q", "-f")


@pytest.mark.parametrize("after", [EXT4, SWAP, FAT16, FAT32])
@pytest.mark.parametrize("before", [EXT4, SWAP, FAT16, FAT32, F2FS])
def test_a_volume_made_anew_is_what_it_is_now_or_read_whole(before: Maker, after: Maker, tmp_path: Path) -> None:
    image = blank(tmp_path, 64 * MIB)
    run(*before, image)
    run(*after, image)
    found = mapped(image)
    if found.free or found.zero:
        assert {"ext4": "ext4", "vfat": "fat", "swap": "swap"}[blkid(image)] == found.kind.rstrip("1236")
    else:
        assert_read_whole(found, "at once")


def test_two_file_systems_at_once_are_both_kept(tmp_path: Path) -> None:
    # An ext4 superblock in the reserved sectors of a FAT32 volume of the same size: each is valid by itself.
    fat = fat32()
    image = blank(tmp_path, fat.size)
    run(*EXT4, "-b", "4096", image)
    ext4 = image.read_bytes()
    assert mapped(image).kind == "ext4"
    image.write_bytes(fat.boot() + ext4[512:])
    assert_read_whole(mapped(image), "ext4", "fat")
    assert mapped(image).kind == "unknown"


def test_a_left_over_signature_is_enough_to_doubt() -> None:
    fat = fat16()
    head = bytearray(fat.head().ljust(fat.size, b"\0"))
    assert read_volume(BytesReader(bytes(head))).free
    head[65536 + 64 : 65536 + 72] = b"_BHRfS_M"
    assert_read_whole(read_volume(BytesReader(bytes(head))), "fat16", "btrfs")


@pytest.mark.parametrize("size", [0, 1, 511, 1024, 4096, 5 * MIB])
def test_an_empty_volume_is_no_cause_for_alarm(size: int) -> None:
    assert read_volume(BytesReader(bytes(size))) == VolumeMap("unknown")


@pytest.mark.parametrize("size", [1, 512, 1024, 100_000, 5 * MIB])
def test_contents_that_nobody_knows(size: int) -> None:
    found = read_volume(BytesReader(b"\xa5" * size))
    assert found.kind == "unknown"
    assert_read_whole(found, "not known")


class FailingCard(SparseReader):
    """Cannot be read at one byte."""

    def __init__(self, head: bytes, size: int, bad: int) -> None:
        super().__init__(head, size)
        self._bad = bad

    def read_at(self, offset: int, length: int) -> bytes:
        if offset <= self._bad < offset + length:
            raise OSError(5, "Input/output error")
        return super().read_at(offset, length)


@pytest.mark.parametrize("place", ["boot sector", "first table", "second table", "root directory"])
def test_a_card_that_cannot_be_read_there_is_copied_whole(place: str) -> None:
    fat = fat32()
    sector = {"boot sector": 0, "first table": 500, "second table": 900, "root directory": fat.data_sector}[place]
    found = read_volume(FailingCard(fat.head(), fat.size, sector * 512))
    assert_read_whole(found, "Input/output error")


def test_a_bad_spot_in_the_files_does_not_matter() -> None:
    fat = fat32()
    found = read_volume(FailingCard(fat.head(), fat.size, fat.size - 2 * MIB))
    assert found.free
    assert found.warnings == ()
