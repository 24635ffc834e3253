"""Swap areas against mkswap and blkid (util-linux)."""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats import swap
from backupctl.formats.reader import BytesReader

_MISSING = [tool for tool in ("mkswap", "blkid") if not shutil.which(tool)]
pytestmark = [pytest.mark.formats, pytest.mark.skipif(bool(_MISSING), reason=f"no {', '.join(_MISSING)} here")]

SIZE = 4 << 20
UUID = "8e5d1f0a-3a4b-4c7e-9d52-6b1f0c2e7a19"


def run(*argv: str | Path) -> str:
    return subprocess.run(argv, check=True, capture_output=True, text=True, timeout=60).stdout


def blkid(image: Path, tag: str) -> str:
    return run("blkid", "-p", "-o", "value", "-s", tag, image).strip()


@pytest.fixture
def area(tmp_path: Path) -> Path:
    """A swap area with 4 KiB pages, over a volume that was full of something else."""
    return made(tmp_path, 4096)


def made(folder: Path, page: int) -> Path:
    image = folder / "swap"
    image.write_bytes(b"\xa5" * SIZE)
    image.chmod(0o600)
    run("mkswap", "--pagesize", str(page), "-U", UUID, "-L", "spare", image)
    return image


def mapped(image: Path) -> VolumeMap:
    found = swap.read_volume(BytesReader(image.read_bytes()))
    assert found is not None
    return found


def write(image: Path, at: int, data: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(at)
        file.write(data)


def assert_read_whole(found: VolumeMap, why: str) -> None:
    assert (found.kind, found.free, found.zero) == ("swap", Ranges(), Ranges())
    assert len(found.warnings) == 1
    assert found.warnings[0].startswith("read whole: ")
    assert why in found.warnings[0]


@pytest.mark.parametrize("page", [4096, 8192, 16384, 32768, 65536])
def test_the_header_is_kept_and_the_rest_is_zero(page: int, tmp_path: Path) -> None:
    image = made(tmp_path, page)
    found = mapped(image)
    assert found == VolumeMap("swap", "spare", UUID, page, zero=Ranges([(page, SIZE)]))
    assert (blkid(image, "TYPE"), blkid(image, "LABEL"), blkid(image, "UUID")) == ("swap", "spare", UUID)


@pytest.mark.parametrize("page", [4096, 65536])
def test_a_zeroed_body_is_the_same_swap_area(page: int, tmp_path: Path) -> None:
    image = made(tmp_path, page)
    for start, end in mapped(image).zero:
        write(image, start, bytes(end - start))
    assert (blkid(image, "TYPE"), blkid(image, "LABEL"), blkid(image, "UUID")) == ("swap", "spare", UUID)


def test_what_follows_the_area_is_data(area: Path) -> None:
    write(area, SIZE, b"\x5a" * 100_000)
    assert mapped(area).zero == Ranges([(4096, SIZE)])


def test_an_area_longer_than_its_volume(area: Path) -> None:
    assert_read_whole(swap_of(area.read_bytes()[:-1]), "speaks of 4194304 bytes where there are 4194303")


def swap_of(data: bytes) -> VolumeMap:
    found = swap.read_volume(BytesReader(data))
    assert found is not None
    return found


@pytest.mark.parametrize("magic", [b"S1SUSPEND\0", b"S2SUSPEND\0", b"ULSUSPEND\0", b"LINHIB0001"])
@pytest.mark.parametrize("page", [4096, 65536])
def test_a_hibernation_image_is_kept(magic: bytes, page: int, tmp_path: Path) -> None:
    image = made(tmp_path, page)
    write(image, page - 10, magic)
    assert blkid(image, "TYPE") == "swsuspend"
    assert_read_whole(mapped(image), "hibernation")


def test_a_hibernation_image_of_the_other_kind_is_kept(area: Path) -> None:
    write(area, 0, bytes.fromhex("edc302e99856e50c"))
    assert blkid(area, "VERSION") == "tuxonice"
    assert_read_whole(mapped(area), "hibernation")


def test_the_old_kind_is_kept_whole(area: Path) -> None:
    write(area, 4086, b"SWAP-SPACE")
    assert blkid(area, "TYPE") == "swap"
    assert_read_whole(mapped(area), "old kind")


def test_an_area_made_by_a_big_endian_machine(area: Path) -> None:
    head = area.read_bytes()
    write(area, 1024, struct.pack(">3L", *struct.unpack_from("<3L", head, 1024)))
    assert blkid(area, "TYPE") == "swap"
    assert mapped(area).zero == Ranges([(4096, SIZE)])


def test_a_magic_number_left_by_a_larger_page_size(tmp_path: Path) -> None:
    image = made(tmp_path, 65536)
    run("mkswap", "--pagesize", "4096", "-U", UUID, image)
    write(image, 65536 - 10, b"SWAPSPACE2")
    assert mapped(image).zero == Ranges([(4096, SIZE)])


@pytest.mark.parametrize("data", [b"", bytes(4095), bytes(SIZE), bytes(4086) + b"SWAPSPACE2"])
def test_no_swap_area(data: bytes) -> None:
    assert swap.read_volume(BytesReader(data)) is None
