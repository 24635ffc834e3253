"""Exclusive opening, and what is asked of an open device, against blockdev of util-linux and plain reads."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.board.block_device import BlockDevice, disk_of
from backupctl.board.open_device import (
    DeviceReader,
    discard,
    flush,
    open_exclusive,
    open_shared,
    reread_partitions,
    zero_out,
)
from backupctl.domain.errors import Malformed, NotFound, Refused
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

MIB = 1 << 20


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(os.urandom(MIB) * 48)
    return path


@pytest.fixture(params=[512, 4096])
def card(image: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    with attached(image, request.param) as device:
        yield device


def assert_refused(path: str | Path, match: str, expected: BlockDevice | None = None) -> None:
    for write in (False, True):
        with pytest.raises(Refused, match=match), open_exclusive(path, write, expected):
            pass


@pytest.mark.parametrize("write", [False, True])
def test_what_the_descriptor_says(card: str, write: bool) -> None:
    need("blockdev", "lsblk")
    with open_exclusive(card, write, expected=disk_of(card)) as device:
        assert device.size == int(tool("blockdev", "--getsize64", card)) == 48 * MIB
        assert device.sector_size == int(tool("blockdev", "--getss", card))
        assert (
            f"{device.major}:{device.minor}" == tool("lsblk", "--nodeps", "--noheadings", "-o", "MAJ:MIN", card).strip()
        )
        assert not os.get_inheritable(device.fd)
        fd = device.fd
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(fd)


def test_a_mounted_partition_keeps_the_whole_disk_busy(card: str, tmp_path: Path) -> None:
    need("mkfs.ext4")
    with partition(card, 1, MIB, 20 * MIB) as first, partition(card, 2, 24 * MIB, 20 * MIB) as second:
        tool("mkfs.ext4", "-q", first)
        with mounted(first, tmp_path / "place"):
            for path in (card, first):
                assert_refused(path, f"{path} is in use: {Path(first).name} is mounted at {tmp_path}/place")
            with open_exclusive(second, write=True):
                pass
            with open_shared(card) as device:
                assert DeviceReader(device.fd).read_at(MIB + 1080, 2) == b"\x53\xef"  # ext4(5), the magic number
        with open_exclusive(card, write=True):
            pass


def test_swap_keeps_it_busy(card: str) -> None:
    need("mkswap", "swapon", "swapoff")
    with partition(card, 2, MIB, 20 * MIB) as second:
        tool("mkswap", second)
        tool("swapon", second)
        try:
            assert_refused(card, f"{Path(second).name} is in use for swap")
        finally:
            tool("swapoff", second)


def test_a_mount_in_another_namespace_keeps_it_busy(card: str, tmp_path: Path) -> None:
    need("mkfs.ext4", "unshare")
    tool("mkfs.ext4", "-q", card)
    (tmp_path / "place").mkdir()
    probe = (
        "import sys\n"
        "from backupctl.board.open_device import open_exclusive\n"
        "from backupctl.domain.errors import Refused\n"
        "try:\n"
        "    with open_exclusive(sys.argv[1], False): pass\n"
        "except Refused as error: print(error)\n"
    )
    # Mounted here; the probe runs in a namespace of its own from which the mount is taken away.
    with mounted(card, tmp_path / "place"):
        said = tool(
            "unshare", "--mount", "--propagation", "private", "sh", "-c", 'umount "$1"; shift; exec "$@"', "-",
            tmp_path / "place", sys.executable, "-c", probe, card,
        )  # fmt: skip
    assert said == f"{card} is in use by something that is not visible from here\n"


def test_while_it_is_held_nobody_can_mount_it(card: str, tmp_path: Path) -> None:
    need("mkfs.ext4", "mount")
    tool("mkfs.ext4", "-q", card)
    with open_exclusive(card, write=True):
        with pytest.raises(AssertionError, match="busy"):
            tool("mount", card, tmp_path)
        assert_refused(card, "not visible from here")


def test_another_medium_than_the_one_looked_at(card: str) -> None:
    seen = disk_of(card)
    with open_exclusive(card, write=True, expected=seen) as device:
        assert device.sequence == seen.sequence
    others = [replace(seen, size=seen.size - 512), replace(seen, minor=seen.minor + 1), replace(seen, sector_size=1024)]
    # Before Linux 5.15 a medium has no number, and a change for one of the same size cannot be noticed.
    if seen.sequence:
        others.append(replace(seen, sequence=seen.sequence - 1))
    for other in others:
        assert_refused(card, "not the device that was looked at", other)


def test_write_protected(image: Path) -> None:
    device = tool("losetup", "--read-only", "--find", "--show", image).strip()
    try:
        with pytest.raises(Refused, match="write-protected"), open_exclusive(device, write=True):
            pass
        with open_exclusive(device, write=False) as opened:
            assert opened.read_only
    finally:
        tool("losetup", "--detach", device)


def test_what_is_no_block_device(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    for path in (tmp_path / "fifo", tmp_path, Path("/dev/null")):
        assert_refused(path, "not a block device")
    with pytest.raises(NotFound), open_exclusive(tmp_path / "nothing", write=False):
        pass


def test_reading(card: str, image: Path) -> None:
    content = image.read_bytes()
    with open_shared(card) as device:
        reader = DeviceReader(device.fd)
        assert reader.size == len(content)
        for offset, length in ((0, 1), (511, 3), (MIB - 7, 3 * MIB), (48 * MIB - 1, 1), (48 * MIB, 0)):
            assert reader.read_at(offset, length) == content[offset : offset + length]
            memory = bytearray(length)
            reader.read_into(offset, memoryview(memory))
            assert memory == content[offset : offset + length]
        with pytest.raises(Malformed):
            reader.read_at(48 * MIB - 1, 2)


def test_zeros_and_discards(card: str, image: Path) -> None:
    before = image.read_bytes()
    with open_exclusive(card, write=True) as device:
        zero_out(device.fd, 4096, 17 * MIB)  # more than one step
        assert discard(device.fd, 20 * MIB, 8 * MIB)
        flush(device.fd)
    after = image.read_bytes()
    assert after[:4096] == before[:4096]
    assert not any(after[4096 : 4096 + 17 * MIB])
    assert after[4096 + 17 * MIB : 20 * MIB] == before[4096 + 17 * MIB : 20 * MIB]
    # A loop device punches a hole into its file (losetup(8)).
    assert not any(after[20 * MIB : 28 * MIB])
    assert after[28 * MIB :] == before[28 * MIB :]


def test_flush_brings_reads_past_the_cache(card: str, image: Path) -> None:
    with open_exclusive(card, write=True) as device:
        reader = DeviceReader(device.fd)
        assert reader.read_at(0, 4096) != b"\xa5" * 4096
        # Changed behind the cache of the loop device.
        with image.open("r+b") as file:
            file.write(b"\xa5" * 4096)
        assert reader.read_at(0, 4096) != b"\xa5" * 4096
        flush(device.fd)
        assert reader.read_at(0, 4096) == b"\xa5" * 4096


def test_discard_of_a_device_that_cannot(tmp_path: Path) -> None:
    need("mount")
    # A loop device can discard only where its file can have holes punched, which ramfs cannot do.
    with mounted("none", tmp_path / "ram", "-t", "ramfs"):
        (tmp_path / "ram/card.img").write_bytes(b"\xa5" * MIB)
        with attached(tmp_path / "ram/card.img") as device, open_exclusive(device, write=True) as opened:
            assert not discard(opened.fd, 0, MIB)
            zero_out(opened.fd, 0, MIB)
            flush(opened.fd)
            assert DeviceReader(opened.fd).read_at(0, MIB) == bytes(MIB)


def test_a_loop_device_without_scan_keeps_its_partitions(card: str) -> None:
    if Path(f"/sys/class/block/{Path(card).name}/loop/partscan").read_text().strip() != "0":
        pytest.skip("this kernel scans the partitions of loop devices")
    with open_exclusive(card, write=True) as device:
        assert not reread_partitions(device.fd)
