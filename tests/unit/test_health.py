"""Power, heat, errors and wear, as the files of sysfs tell of them.

Files and values are those of the kernel's Documentation/hwmon/sysfs-interface.rst, driver-api/thermal/sysfs-api.rst,
driver-api/mmc/mmc-dev-attrs.rst and ABI/testing/sysfs-fs-ext4; what err_stats looks like is from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.block_device import BlockDevice, disk_of
from backupctl.board.health import file_system_errors, io_errors, too_hot, under_voltage, wear
from tests.unit.sysfs_tree import SysfsTree


@pytest.fixture
def tree(tmp_path: Path) -> SysfsTree:
    return SysfsTree(tmp_path)


def emmc(tree: SysfsTree, **files: str) -> BlockDevice:
    """With its host and its device, as far as their names matter."""
    at = "platform/emmc2/mmc_host/mmc0/mmc0:0001/block"
    tree.device(at, "mmcblk0", "179:0")
    tree.link(f"sys/devices/{at}/mmcblk0/device", "sys/devices/platform/emmc2/mmc_host/mmc0/mmc0:0001")
    for name, text in files.items():
        tree.write(f"sys/devices/platform/emmc2/mmc_host/mmc0/mmc0:0001/{name}", text)
    return disk_of("/dev/mmcblk0", tree.root)


def test_under_voltage(tree: SysfsTree) -> None:
    assert under_voltage(tree.root) == []
    tree.write("sys/class/hwmon/hwmon1/name", "supply_watch\n")
    tree.write("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
    assert under_voltage(tree.root) == []
    tree.write("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    assert under_voltage(tree.root) == ["supply_watch"]


@pytest.mark.parametrize(
    ("temp", "trips", "is_hot"),
    [
        ("79900", {}, False),
        ("80000", {}, True),
        ("84900", {"critical": "90000"}, False),
        ("85000", {"critical": "90000"}, True),
        ("70000", {"hot": "70000", "critical": "110000"}, True),
        ("90000", {"passive": "60000", "critical": "110000"}, False),
        ("unreadable", {}, False),
    ],
)
def test_heat(tree: SysfsTree, temp: str, trips: dict[str, str], is_hot: bool) -> None:
    zone = "sys/class/thermal/thermal_zone0"
    tree.write(f"{zone}/type", "cpu-thermal\n")
    tree.write(f"{zone}/temp", f"{temp}\n")
    for number, (kind, at) in enumerate(trips.items()):
        tree.write(f"{zone}/trip_point_{number}_type", f"{kind}\n")
        tree.write(f"{zone}/trip_point_{number}_temp", f"{at}\n")
    found = too_hot(tree.root)
    assert bool(found) == is_hot
    assert all("cpu-thermal has" in text for text in found)


def test_errors_of_a_disk_on_usb(tree: SysfsTree) -> None:
    at = "usb1/1-1/host2/target2:0:0/2:0:0:0/block"
    tree.device(at, "sda", "8:0")
    tree.link(f"sys/devices/{at}/sda/device", "sys/devices/usb1/1-1/host2/target2:0:0/2:0:0:0")
    disk = disk_of("/dev/sda", tree.root)
    assert io_errors(disk, tree.root) is None
    tree.write("sys/devices/usb1/1-1/host2/target2:0:0/2:0:0:0/ioerr_cnt", "0x1a\n")
    assert io_errors(disk, tree.root) == 26


def test_errors_of_a_memory_card(tree: SysfsTree) -> None:
    disk = emmc(tree)
    assert io_errors(disk, tree.root) is None
    tree.write(
        "sys/kernel/debug/mmc0/err_stats",
        "# Command Timeout Occurred:\t 9\n# Data CRC Errors Occurred:\t 2\n# Data Timeout Occurred:\t 1\n",
    )
    assert io_errors(disk, tree.root) == 3


def test_errors_of_a_file_system(tree: SysfsTree) -> None:
    tree.mountinfo("22 1 179:0 / / rw - ext4 /dev/mmcblk0 rw")
    disk = emmc(tree)
    tree.write("sys/fs/ext4/mmcblk0/errors_count", "0\n")
    assert file_system_errors(disk, tree.root) == []
    tree.write("sys/fs/ext4/mmcblk0/errors_count", "4\n")
    assert file_system_errors(disk, tree.root) == ["4 in the file system of mmcblk0"]


@pytest.mark.parametrize(
    ("life", "spare", "words"),
    [
        (None, None, []),
        ("0x01 0x08\n", "0x01\n", []),
        ("0x09 0x02\n", "0x01\n", ["80 to 90 % of its"]),
        ("0x00 0x0b\n", "0x00\n", ["more than 100 %"]),
        ("0x01 0x01\n", "0x02\n", ["80 % of the spare"]),
        ("0x0a 0x01\n", "0x03\n", ["90 to 100 %", "90 % of the spare"]),
    ],
)
def test_wear(tree: SysfsTree, life: str | None, spare: str | None, words: list[str]) -> None:
    files = {name: text for name, text in (("life_time", life), ("pre_eol_info", spare)) if text is not None}
    found = list(wear(emmc(tree, **files), tree.root))
    assert len(found) == len(words)
    assert all(word in text for word, text in zip(words, found, strict=True))
