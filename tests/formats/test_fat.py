"""FAT maps against mkfs.fat, fsck.fat (dosfstools), mtools and blkid."""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from backupctl.domain.volume import VolumeMap
from backupctl.formats import fat
from backupctl.formats.reader import BytesReader, Window
from tests.fat_image import FatImage

_TOOLS = ("mkfs.fat", "fsck.fat", "mcopy", "mdel", "mmd", "mshowfat", "blkid")
_MISSING = [tool for tool in _TOOLS if not shutil.which(tool)]
pytestmark = [pytest.mark.formats, pytest.mark.skipif(bool(_MISSING), reason=f"no {', '.join(_MISSING)} here")]


def tool(*argv: str | Path) -> str:
    environment = os.environ | {"LC_ALL": "C", "MTOOLS_SKIP_CHECK": "1"}
    done = subprocess.run(argv, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, (argv, done.stdout, done.stderr)
    return done.stdout


def mapped(image: Path) -> VolumeMap:
    found = fat.read_volume(BytesReader(image.read_bytes()))
    assert found is not None
    return found


@dataclass(frozen=True)
class Fsck:
    used: int
    clusters: int
    cluster_size: int
    bits: int
    data_start: int


def fsck(image: Path) -> Fsck:
    said = tool("fsck.fat", "-n", "-v", image)

    def number(pattern: str) -> int:
        match = re.search(pattern, said)
        assert match, said
        return int(match[1])

    return Fsck(
        used=number(r" files, (\d+)/"),
        clusters=number(r"(\d+) data clusters"),
        cluster_size=number(r"(\d+) bytes per cluster"),
        bits=number(r"FATs, (\d+) bit entries"),
        data_start=number(r"Data area starts at byte (\d+)"),
    )


def blkid(image: Path) -> dict[str, str]:
    lines = tool("blkid", "-p", "-o", "export", image).splitlines()
    return dict(line.split("=", 1) for line in lines)


def make(image: Path, size: int, *options: str) -> None:
    with image.open("wb") as file:
        file.truncate(size)
    tool("mkfs.fat", *options, image)


MIB = 1 << 20
LAYOUTS: dict[str, tuple[int, list[str]]] = {  # MiB, options
    "fat12": (4, ["-F", "12", "-n", "BOOT"]),
    "fat12, clusters of one sector": (2, ["-F", "12", "-s", "1"]),
    "fat16": (32, ["-F", "16", "-n", "BOOT PART", "-i", "1234abcd"]),
    "fat16, one table": (32, ["-F", "16", "-f", "1"]),
    "fat16, short root, 16 reserved sectors": (48, ["-F", "16", "-s", "2", "-r", "64", "-R", "16"]),
    "fat32": (64, ["-F", "32", "-n", "BOOTFS"]),
    "fat32, sectors of 4096 bytes": (300, ["-F", "32", "-S", "4096", "-s", "1"]),
    "fat32, not aligned": (80, ["-F", "32", "-a", "-s", "2"]),
}


def content(name: str, size: int) -> bytes:
    """Every 32 bytes say whose they are, and where in it."""
    return b"".join(f"{name:<20}{at:012d}".encode() for at in range(0, size, 32))[:size]


@dataclass(frozen=True)
class Filled:
    image: Path
    files: dict[str, bytes]


@pytest.fixture(params=LAYOUTS)
def filled(request: pytest.FixtureRequest, tmp_path: Path) -> Filled:
    """A volume with files in fragments: some were deleted and larger ones written into the gaps."""
    image = tmp_path / "card"
    mebibytes, options = LAYOUTS[request.param]
    make(image, mebibytes * MIB, *options)
    chance = random.Random(request.param)
    tool("mmd", "-i", image, "::/OVERLAYS")
    files: dict[str, bytes] = {}

    def write(name: str, length: int) -> None:
        files[name] = content(name, length)
        (tmp_path / "file").write_bytes(files[name])
        tool("mcopy", "-i", image, tmp_path / "file", f"::/{name}")

    for n in range(24):
        write(f"{'OVERLAYS/' if n % 2 else ''}F{n}.BIN", chance.randrange(1, 30_000))
    for name in list(files)[::3]:
        tool("mdel", "-i", image, f"::/{name}")
        del files[name]
    for n in range(4):
        write(f"LARGE{n}.DAT", chance.randrange(40_000, 120_000))
    write("EMPTY.TXT", 0)
    write("settings of it.conf", 5000)
    return Filled(image, files)


def test_as_many_clusters_are_free_as_fsck_counts(filled: Filled) -> None:
    outside, found = fsck(filled.image), mapped(filled.image)
    assert found.warnings == ()
    assert (found.kind, found.block_size) == (f"fat{outside.bits}", outside.cluster_size)
    assert found.free.total == (outside.clusters - outside.used) * outside.cluster_size
    assert not found.free.touches(0, outside.data_start)
    assert found.free.end <= outside.data_start + outside.clusters * outside.cluster_size


def test_no_cluster_of_a_file_or_folder_is_free(filled: Filled) -> None:
    outside, found = fsck(filled.image), mapped(filled.image)
    seen = 0
    for name in (*filled.files, "OVERLAYS", ""):  # the last is the root directory, in clusters on FAT32 only
        for run in re.findall(r"<(\d+(?:-\d+)?)>", tool("mshowfat", "-i", filled.image, f"::/{name}")):
            first, last = int(run.split("-")[0]), int(run.split("-")[-1])
            start = outside.data_start + (first - 2) * outside.cluster_size
            end = outside.data_start + (last - 1) * outside.cluster_size
            assert not found.free.touches(start, end), name
            seen += last - first + 1
    assert seen == outside.used


def test_every_byte_of_a_file_lies_in_what_is_kept(filled: Filled) -> None:
    card, free = filled.image.read_bytes(), mapped(filled.image).free
    kept = b"".join(card[start:end] for start, end in free.inverted(0, len(card)))
    records = {kept[at : at + 32] for at in range(0, len(kept), 32)}
    for name, data in filled.files.items():
        lost = [at for at in range(0, len(data) - 31, 32) if data[at : at + 32] not in records]
        assert not lost, name


def test_free_space_full_of_rubbish_harms_nothing(filled: Filled, tmp_path: Path) -> None:
    card = bytearray(filled.image.read_bytes())
    for start, end in mapped(filled.image).free:
        card[start:end] = b"\xff" * (end - start)
    spoilt = tmp_path / "spoilt"
    spoilt.write_bytes(card)
    assert fsck(spoilt) == fsck(filled.image)
    for name, data in filled.files.items():
        tool("mcopy", "-n", "-i", spoilt, f"::/{name}", tmp_path / "out")
        assert (tmp_path / "out").read_bytes() == data, name
        (tmp_path / "out").unlink()


def test_names_are_those_that_blkid_prints(filled: Filled) -> None:
    outside, found = blkid(filled.image), mapped(filled.image)
    assert found.kind.upper() == outside["VERSION"]
    assert found.identity == outside["UUID"]
    assert found.label == outside.get("LABEL", "").replace("\\ ", " ")


def test_a_renamed_volume_goes_by_its_new_name(tmp_path: Path) -> None:
    if not shutil.which("mlabel"):
        pytest.skip("no mlabel here")
    make(tmp_path / "card", 4 * MIB, "-n", "BEFORE")
    tool("mlabel", "-i", tmp_path / "card", "::AFTER")
    assert mapped(tmp_path / "card").label == blkid(tmp_path / "card")["LABEL"] == "AFTER"


@pytest.mark.parametrize(("clusters", "bits"), [(4084, 12), (4085, 16), (65524, 16), (65525, 32)])
def test_the_count_of_clusters_decides_the_type(clusters: int, bits: int, tmp_path: Path) -> None:
    # FATGEN, "FAT Type Determination": 4084 is FAT12, 4085 and 65524 are FAT16, 65525 is FAT32; fsck.fat agrees (blkid
    # 2.38.1 is off by one at 4084 and 65524).
    used = {2: 0x0FFFFFFF if bits == 32 else 0x0FFFFFF7, clusters + 1: 0x0FFFFFF7}  # a root directory, or bad
    made = FatImage(clusters, bits, used, wide=bits == 32, reserved=32)
    (tmp_path / "card").write_bytes(made.head().ljust(made.size, b"\0"))
    outside, found = fsck(tmp_path / "card"), mapped(tmp_path / "card")
    assert (outside.clusters, outside.bits) == (clusters, bits)
    assert found.kind == f"fat{bits}"
    assert list(found.free) == [(outside.data_start + 512, outside.data_start + (clusters - 1) * 512)]


@pytest.mark.parametrize(
    ("mebibytes", "clusters", "data_sector"), [(64, 129_022, 32 + 2 * 1009), (256, 516_190, 32 + 2 * 4033)]
)
def test_large_volumes_are_mapped_at_once(mebibytes: int, clusters: int, data_sector: int, tmp_path: Path) -> None:
    # Counts as mkfs.fat 4.2 -F 32 and fsck.fat -nv give them; one cluster is the root directory's.
    make(tmp_path / "card", mebibytes * MIB, "-F", "32")
    card = BytesReader((tmp_path / "card").read_bytes())
    before = time.process_time()
    found = fat.read_volume(card)
    taken = time.process_time() - before
    assert found is not None
    assert list(found.free) == [((data_sector + 1) * 512, (data_sector + clusters) * 512)]
    assert taken < 0.25  # a loop over the entries takes several times that


def test_the_boot_volume_of_a_published_image(tmp_path: Path) -> None:
    # Debian's memtest86+ 6.10-4; counts as fsck.fat -nv gives them for the partition at sector 3304.
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "backupctl-tests"
    package = folder / "memtest86+_6.10-4_amd64.deb"
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        pytest.skip("no apt-get and dpkg-deb here")
    if not package.exists():
        folder.mkdir(parents=True, exist_ok=True)
        fetch = ["apt-get", "download", "memtest86+=6.10-4"]
        done = subprocess.run(fetch, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
        if done.returncode != 0 or not package.exists():
            pytest.skip(f"memtest86+ 6.10-4 cannot be fetched: {done.stderr.strip().splitlines()[-1:]}")
    tool("dpkg-deb", "-x", package, tmp_path)
    disc = BytesReader((tmp_path / "usr/lib/memtest86+/memtest86+x64.iso").read_bytes())
    found = fat.read_volume(Window(disc, 3304 * 512, 8192 * 512))
    assert found is not None
    assert (found.kind, found.label, found.identity) == ("fat12", "MEMTEST-ESP", "1234-ABCD")
    assert found.block_size == 2048
    assert found.free.total == (2036 - 73) * 2048
    assert found.warnings == ()
