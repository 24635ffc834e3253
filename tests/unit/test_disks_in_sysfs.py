"""Disks that no test machine need have: SD cards, eMMC, drives on USB, NVMe."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.block_device import BlockDevice, disk_of, list_disks, whole_disk_of
from backupctl.board.emmc import boot_areas_in_use
from backupctl.domain.errors import NotFound
from tests.unit.sysfs_tree import SysfsTree

CID = "1b534d303030303010deadbeef0148b3"


@pytest.fixture
def tree(tmp_path: Path) -> SysfsTree:
    return SysfsTree(tmp_path)


def only(tree: SysfsTree) -> BlockDevice:
    (disk,) = list_disks(tree.root)
    return disk


def add_card(tree: SysfsTree, kind: str) -> str:
    bus = "platform/soc/mmc_host/mmc0/mmc0:aaaa"
    for name, text in {"cid": CID, "type": kind, "name": "INV32", "serial": "0xdeadbeef", "oemid": "0x534d"}.items():
        tree.write(f"sys/devices/{bus}/{name}", f"{text}\n")
    disk = tree.device(f"{bus}/block", "mmcblk0", "179:0", size="62333952\n", diskseq="9\n")
    tree.link(f"sys/devices/{disk}/device", f"sys/devices/{bus}")
    tree.device(disk, "mmcblk0p1", "179:1", partition="1\n", start="8192\n", size="524288\n")
    tree.device(disk, "mmcblk0p2", "179:2", partition="2\n", start="532480\n", size="61801472\n")
    return disk


def test_an_sd_card(tree: SysfsTree) -> None:
    add_card(tree, "SD")
    card = only(tree)
    assert (card.path, card.kind, card.transport) == ("/dev/mmcblk0", "disk", "mmc")
    assert (card.model, card.serial, card.card_type, card.cid) == ("INV32", "0xdeadbeef", "SD", CID)
    # "size" and "start" count 512 bytes whatever the sectors are (sysfs-block).
    assert (card.size, card.sector_size, card.sequence) == (62333952 * 512, 512, 9)
    assert [(p.path, p.number, p.start, p.size) for p in card.partitions] == [
        ("/dev/mmcblk0p1", 1, 4194304, 268435456),
        ("/dev/mmcblk0p2", 2, 272629760, 31642353664),
    ]


def test_the_areas_of_an_emmc_are_no_disks(tree: SysfsTree) -> None:
    disk = add_card(tree, "MMC")
    area = tree.device(disk, "mmcblk0boot0", "179:8", force_ro="1\n", ro="1\n")
    tree.link(f"sys/devices/{area}/device", f"sys/devices/{disk}")
    assert only(tree).name == "mmcblk0"
    assert only(tree).card_type == "MMC"
    assert [p.name for p in only(tree).partitions] == ["mmcblk0p1", "mmcblk0p2"]
    assert whole_disk_of("mmcblk0boot0", tree.root) == "mmcblk0"
    assert whole_disk_of("mmcblk0p2", tree.root) == "mmcblk0"


def test_a_boot_area_of_an_emmc_that_holds_something(tree: SysfsTree) -> None:
    disk = add_card(tree, "MMC")
    contents = {"mmcblk0boot0": bytes(2 << 20), "mmcblk0boot1": b"\xff" * (2 << 20)}
    for number, (name, content) in enumerate(contents.items(), 8):
        tree.device(disk, name, f"179:{number}", force_ro="1\n", ro="1\n")
        tree.write(f"dev/{name}", content)
    assert boot_areas_in_use("mmcblk0", tree.root) == []
    tree.write("dev/mmcblk0boot1", b"\xff" * (2 << 20) + b"boots")
    assert boot_areas_in_use("mmcblk0", tree.root) == ["/dev/mmcblk0boot1"]
    (tree.root / "dev/mmcblk0boot0").unlink()
    assert boot_areas_in_use("mmcblk0", tree.root) == ["/dev/mmcblk0boot0", "/dev/mmcblk0boot1"]
    assert boot_areas_in_use("mmcblk1", tree.root) == []


def test_a_drive_on_usb_with_large_sectors(tree: SysfsTree) -> None:
    # Documentation/ABI/testing/sysfs-bus-usb: "serial" is in the directory of the USB device, some levels up.
    usb = "pci0000:00/0000:00:14.0/usb1/1-2"
    tree.write(f"sys/devices/{usb}/idVendor", "1234\n")
    tree.write(f"sys/devices/{usb}/serial", "INV0001\n")
    scsi = f"{usb}/1-2:1.0/host6/target6:0:0/6:0:0:0"
    tree.write(f"sys/devices/{scsi}/vendor", "Invented\n")
    tree.write(f"sys/devices/{scsi}/model", "Card  Reader    \n")
    tree.write(f"sys/devices/{scsi}/type", "0\n")
    disk = tree.device(f"{scsi}/block", "sda", "8:0", removable="1\n", queue__logical_block_size="4096\n")
    tree.link(f"sys/devices/{disk}/device", f"sys/devices/{scsi}")
    seen = only(tree)
    assert (seen.vendor, seen.model, seen.serial, seen.transport) == ("Invented", "Card  Reader", "INV0001", "usb")
    assert (seen.removable, seen.sector_size, seen.size) == (True, 4096, 1 << 30)
    assert (seen.card_type, seen.cid) == ("", "")


def test_an_nvme_disk_lies_below_a_controller_that_has_a_number_too(tree: SysfsTree) -> None:
    controller = "pci0000:00/0000:00:1d.0/nvme/nvme0"
    for name, text in {"dev": "242:0", "model": "Invented NVMe 500", "serial": "N-1"}.items():
        tree.write(f"sys/devices/{controller}/{name}", f"{text}\n")
    disk = tree.device(controller, "nvme0n1", "259:0")
    tree.link(f"sys/devices/{disk}/device", f"sys/devices/{controller}")
    tree.device(disk, "nvme0n1p1", "259:1", partition="1\n", start="2048\n")
    assert (only(tree).name, only(tree).serial, only(tree).transport) == ("nvme0n1", "N-1", "nvme")
    assert whole_disk_of("nvme0n1p1", tree.root) == "nvme0n1"


def test_drives_without_a_medium_and_ram_disks_are_left_out(tree: SysfsTree) -> None:
    tree.device("virtual/block", "loop0", "7:0", size="0\n")
    tree.device("virtual/block", "ram0", "1:0")
    assert list_disks(tree.root) == []


def test_names_are_in_the_order_of_their_numbers(tree: SysfsTree) -> None:
    for number, name in enumerate(("sdb", "loop10", "loop9", "sda", "cciss!c0d0")):
        tree.device("virtual/block", name, f"240:{number}")
    assert [disk.path for disk in list_disks(tree.root)] == [
        "/dev/cciss/c0d0",
        "/dev/loop9",
        "/dev/loop10",
        "/dev/sda",
        "/dev/sdb",
    ]


def test_users(tree: SysfsTree) -> None:
    disk = add_card(tree, "SD")
    mapping = tree.device("virtual/block", "dm-0", "252:0", dm__name="secret\n")
    tree.hold(mapping, f"{disk}/mmcblk0p2")
    tree.write("proc/swaps", f"{'Filename':40}Type\n/dev/mmcblk0p1  partition 1 0 -2\n/a\\040file  file 1 0 -3\n")
    tree.mountinfo("27 1 252:0 / / rw - ext4 /dev/mapper/secret rw", "30 27 179:1 / /a\\040b rw - vfat /dev/x rw")
    card = disk_of("/dev/mmcblk0p1", tree.root)
    assert card.users() == [
        "mmcblk0p1 is mounted at /a b",
        "mmcblk0p1 is in use for swap",
        "dm-0 is made from it",
    ]
    assert disk_of("/dev/dm-0", tree.root).users() == ["dm-0 is mounted at /"]
    assert disk_of("/dev/dm-0", tree.root).kind == "dm"


def test_a_name_that_is_none(tree: SysfsTree) -> None:
    add_card(tree, "SD")
    for path in ("/dev/mmcblk1", "/dev/", "/dev/../dev/mmcblk0x", "mmcblk0"):
        with pytest.raises(NotFound):
            disk_of(path, tree.root)
