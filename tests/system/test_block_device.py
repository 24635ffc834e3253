"""Disks as the kernel describes them, against lsblk and blockdev of util-linux."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.block_device import disk_of, list_disks, whole_disk_of
from backupctl.domain.errors import NotFound
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

MIB = 1 << 20


@pytest.fixture(params=[512, 4096])
def sector_size(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def card(tmp_path: Path, sector_size: int) -> Iterator[str]:
    image = tmp_path / "a card.img"
    with image.open("wb") as file:
        file.truncate(64 * MIB)
    with attached(image, sector_size) as device:
        yield device


def lsblk(device: str) -> dict[str, Any]:
    columns = "NAME,PATH,MAJ:MIN,SIZE,LOG-SEC,RM,RO,MODEL,SERIAL,MOUNTPOINTS,TYPE,START"
    shown = json.loads(tool("lsblk", "--json", "--bytes", "--output", columns, device))
    (disk,) = shown["blockdevices"]
    assert isinstance(disk, dict)
    return disk


def test_a_disk_as_lsblk_and_blockdev_see_it(card: str, sector_size: int, tmp_path: Path) -> None:
    need("lsblk", "blockdev")
    with partition(card, 1, MIB, 20 * MIB), partition(card, 12, 24 * MIB, 8 * MIB) as twelfth:
        disk = disk_of(twelfth)
        seen = lsblk(card)
        assert (disk.name, disk.path, f"{disk.major}:{disk.minor}") == (seen["name"], seen["path"], seen["maj:min"])
        assert (disk.size, disk.sector_size) == (seen["size"], seen["log-sec"])
        assert (disk.removable, disk.read_only, disk.kind) == (seen["rm"], seen["ro"], seen["type"])
        getters = ("--getsize64", "--getss", "--getro")
        assert [disk.size, sector_size, int(disk.read_only)] == [int(tool("blockdev", g, card)) for g in getters]
        assert disk.backing_file == str(tmp_path / "a card.img")
        assert {(p.name, p.size, f"{p.major}:{p.minor}") for p in disk.partitions} == {
            (part["name"], part["size"], part["maj:min"]) for part in seen["children"]
        }
        assert [(p.number, p.start) for p in disk.partitions] == [(1, MIB), (12, 24 * MIB)]
        assert not disk.users()


def test_every_disk_that_lsblk_lists(card: str) -> None:
    need("lsblk")
    columns = "NAME,MAJ:MIN,SIZE,LOG-SEC,RM,RO,MODEL,SERIAL,MOUNTPOINTS"
    shown = json.loads(tool("lsblk", "--json", "--bytes", "--nodeps", "--output", columns))
    theirs = {
        d["name"]: (d["maj:min"], d["size"], d["log-sec"], d["rm"], d["ro"], sorted(filter(None, d["mountpoints"])))
        for d in shown["blockdevices"]
        if d["size"]
    }
    ours = {
        d.name: (
            f"{d.major}:{d.minor}",
            d.size,
            d.sector_size,
            d.removable,
            d.read_only,
            sorted(m.mount_point for name, m in d.mounts if name == d.name),
        )
        for d in list_disks()
    }
    # Tests that run at the same time have loop devices of their own.
    for name in set(theirs) ^ set(ours):
        assert name.startswith("loop")
        assert name != Path(card).name
    assert all(ours[name] == theirs[name] for name in set(theirs) & set(ours) if not name.startswith("loop"))
    assert ours[Path(card).name] == theirs[Path(card).name]


def test_where_it_is_mounted(card: str, tmp_path: Path) -> None:
    need("mkfs.ext4", "findmnt")
    with partition(card, 1, MIB, 20 * MIB) as first:
        tool("mkfs.ext4", "-q", first)
        with mounted(first, tmp_path / "a place"):
            ((name, mount),) = disk_of(card).mounts
            (seen,) = json.loads(tool("findmnt", "--json", "--source", first))["filesystems"]
            assert f"/dev/{name}" == first == seen["source"]
            assert (mount.mount_point, mount.fstype) == (seen["target"], seen["fstype"])
            assert disk_of(card).users() == [f"{name} is mounted at {tmp_path}/a place"]
        assert not disk_of(card).mounts


def test_swap(card: str) -> None:
    need("mkswap", "swapon", "swapoff")
    with partition(card, 2, MIB, 20 * MIB) as second:
        tool("mkswap", second)
        tool("swapon", second)
        try:
            assert second in tool("swapon", "--show=NAME", "--noheadings").split()
            assert disk_of(card).users() == [f"{Path(second).name} is in use for swap"]
        finally:
            tool("swapoff", second)


def test_holders(card: str) -> None:
    need("dmsetup")
    if "device-mapper" not in Path("/proc/misc").read_text():
        pytest.skip("needs the kernel's device mapper")
    name = f"test-{Path(card).name}"
    tool("dmsetup", "create", name, "--table", f"0 2048 linear {card} 0")
    try:
        (holder,) = disk_of(card).holders
        assert disk_of(f"/dev/mapper/{name}").name == holder
        assert disk_of(f"/dev/mapper/{name}").kind == "dm"
        assert whole_disk_of(holder) == holder
    finally:
        tool("dmsetup", "remove", name)


@pytest.mark.parametrize("path", ["/dev/null", "/etc/hostname", "/dev/no-such-device", "/proc", ""])
def test_what_is_no_block_device(path: str) -> None:
    with pytest.raises(NotFound, match="is not a block device"):
        disk_of(path)
