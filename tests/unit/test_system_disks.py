"""From what the system needs down to the disks under it, through everything that can lie between."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.system_disks import own_disks, system_disks
from tests.unit.sysfs_tree import SysfsTree


@pytest.fixture
def tree(tmp_path: Path) -> SysfsTree:
    """Two disks, sda with two partitions and sdb with one; proc(5) describes the lines of mountinfo."""
    made = SysfsTree(tmp_path)
    for major, name in ((8, "sda"), (65, "sdb")):
        disk = made.device("pci0000:00/block", name, f"{major}:0")
        made.device(disk, f"{name}1", f"{major}:1", partition="1\n", start="2048\n")
    made.device("pci0000:00/block/sda", "sda2", "8:2", partition="2\n", start="8192\n")
    return made


SDA, SDB = "pci0000:00/block/sda", "pci0000:00/block/sdb"


def test_partitions(tree: SysfsTree) -> None:
    tree.mountinfo(
        "27 1 8:2 / / rw - ext4 /dev/sda2 rw",
        "28 27 8:1 / /boot/firmware rw - vfat /dev/sda1 rw",
        "29 27 65:1 / /mnt/data rw - ext4 /dev/sdb1 rw",
        "30 27 0:5 / /var/tmp rw - tmpfs tmpfs rw",
    )
    found = system_disks(tree.root)
    assert found.why == {"sda": ("/ is on it", "/boot/firmware is on it")}
    assert found.untraced == ()


def test_a_directory_whose_name_only_begins_alike(tree: SysfsTree) -> None:
    tree.mountinfo("27 1 8:2 / / rw - ext4 /dev/sda2 rw", "29 27 65:1 / /variety rw - ext4 /dev/sdb1 rw")
    assert list(system_disks(tree.root).why) == ["sda"]


def test_a_mapping_over_an_array_over_two_disks(tree: SysfsTree) -> None:
    array = tree.device("virtual/block", "md0", "9:0", md__level="raid1\n")
    mapping = tree.device("virtual/block", "dm-0", "252:0", dm__name="root\n")
    tree.hold(mapping, array)
    tree.hold(array, f"{SDA}/sda2")
    tree.hold(array, f"{SDB}/sdb1")
    tree.mountinfo("27 1 252:0 / / rw - ext4 /dev/mapper/root rw")
    assert sorted(system_disks(tree.root).why) == ["dm-0", "md0", "sda", "sdb"]
    assert own_disks(tree.root) == {"sda", "sdb"}


def test_a_root_on_a_mapping_runs_from_the_card_beneath(tree: SysfsTree) -> None:
    tree.hold(tree.device("virtual/block", "dm-0", "252:0", dm__name="secret\n"), f"{SDA}/sda2")
    tree.mountinfo(
        "27 1 252:0 / / rw - ext4 /dev/mapper/secret rw",
        "28 27 8:1 / /boot/firmware rw - vfat /dev/sda1 rw",
        "29 27 65:1 / /var/lib/media rw - ext4 /dev/sdb1 rw",
    )
    assert own_disks(tree.root) == {"sda"}


def test_swap_on_a_partition_and_in_a_file(tree: SysfsTree) -> None:
    tree.mountinfo("27 1 0:5 / / rw - tmpfs tmpfs rw", "29 27 65:1 / /data rw - ext4 /dev/sdb1 rw")
    tree.write("proc/swaps", f"{'Filename':40}Type\n/dev/sda1 partition 1 0 -2\n/data/swap\\040file file 1 0 -3\n")
    assert system_disks(tree.root).why == {
        "sda": ("swap (sda1) is on it",),
        "sdb": ("swap (/data/swap file) is on it",),
    }


def test_a_root_in_a_file_on_a_disk(tree: SysfsTree) -> None:
    tree.device("virtual/block", "loop0", "7:0", loop__backing_file="/media/boot/root image.squashfs\n")
    tree.mountinfo(
        "27 1 7:0 / / ro - squashfs /dev/loop0 ro",
        "28 27 8:1 / /media/boot rw - vfat /dev/sda1 rw",
    )
    assert sorted(system_disks(tree.root).why) == ["loop0", "sda"]
    assert own_disks(tree.root) == {"sda"}


def test_a_loop_device_over_a_file_on_itself_ends(tree: SysfsTree) -> None:
    tree.device("virtual/block", "loop0", "7:0", loop__backing_file="/image (deleted)\n")
    tree.mountinfo("27 1 7:0 / / ro - squashfs /dev/loop0 ro")
    assert list(system_disks(tree.root).why) == ["loop0"]


def test_an_overlay_whose_layers_are_mounted(tree: SysfsTree) -> None:
    tree.mountinfo(
        "27 1 0:30 / / rw - overlay overlay rw,lowerdir=/media/a\\134:b:/media/ro,upperdir=/media/rw/up",
        "28 27 8:2 / /media/ro ro - ext4 /dev/sda2 ro",
        "29 27 0:31 / /media/rw rw - tmpfs tmpfs rw",
        "30 27 65:1 / /media/a:b ro - ext4 /dev/sdb1 ro",
    )
    found = system_disks(tree.root)
    assert sorted(found.why) == ["sda", "sdb"]
    assert found.untraced == ()
    assert own_disks(tree.root) == {"sda", "sdb"}


def test_an_overlay_over_a_card_with_swap_in_memory_runs_from_the_card(tree: SysfsTree) -> None:
    tree.device("virtual/block", "zram0", "251:0")
    tree.write("proc/swaps", f"{'Filename':40}Type\n/dev/zram0 partition 1 0 -2\n")
    overlay = "27 1 0:30 / / rw - overlay overlay rw,lowerdir=/lower,upperdir=/upper/data,workdir=/upper/work"
    others = "29 27 65:1 / /var/lib/media rw - ext4 /dev/sdb1 rw"
    tree.mountinfo(overlay, others)
    assert own_disks(tree.root) == set()
    tree.mountinfo(overlay, others, "28 27 8:1 / /boot/firmware ro - vfat /dev/sda1 ro")
    assert own_disks(tree.root) == {"sda"}
    tree.mountinfo(overlay, others)
    tree.write("proc/cmdline", "root=/dev/sda2 ro\n")
    assert own_disks(tree.root) == {"sda"}


def test_an_overlay_from_before_the_root_was_changed(tree: SysfsTree) -> None:
    # The card is mounted nowhere that can be seen, yet the system runs from it.
    tree.mountinfo("27 1 0:30 / / rw - overlay overlay rw,lowerdir=/lower,upperdir=/upper/data,workdir=/upper/work")
    found = system_disks(tree.root)
    assert found.why == {}
    assert found.untraced == (
        "/: the overlay's layer /lower is not visible from here",
        "/: the overlay's layer /upper/data is not visible from here",
    )


@pytest.mark.parametrize("argument", ["root=/dev/sda2", "root=PARTUUID=DEADBEEF-02", 'root="LABEL=rootfs"'])
def test_what_the_kernel_was_started_with(tree: SysfsTree, argument: str) -> None:
    # bootparam(7), root=; the names of the links are those of mount(8), "Indicating the device".
    tree.mountinfo("27 1 0:30 / / rw - overlay overlay rw,lowerdir=/lower,upperdir=/upper/data,workdir=/upper/work")
    tree.link("dev/disk/by-partuuid/deadbeef-02", "dev/sda2")
    tree.link("dev/disk/by-label/rootfs", "dev/sda2")
    tree.write("proc/cmdline", f"console=tty1 {argument} rootwait ro\n")
    assert system_disks(tree.root).why == {"sda": ("the root that the kernel was started with is on it",)}


def test_btrfs_over_two_disks(tree: SysfsTree) -> None:
    # Each subvolume has an anonymous device number; sysfs lists the devices of the file system.
    tree.link("sys/fs/btrfs/0b1c/devices/sda2", f"sys/devices/{SDA}/sda2")
    tree.link("sys/fs/btrfs/0b1c/devices/sdb1", f"sys/devices/{SDB}/sdb1")
    tree.mountinfo("27 1 0:25 /@ / rw - btrfs /dev/sda2 rw,subvol=/@")
    assert sorted(system_disks(tree.root).why) == ["sda", "sdb"]


def test_a_root_on_the_network_is_on_no_disk(tree: SysfsTree) -> None:
    tree.mountinfo("27 1 0:25 / / rw - nfs4 server:/root rw")
    assert (system_disks(tree.root).why, system_disks(tree.root).untraced) == ({}, ())


def test_a_file_system_that_is_not_known_is_said(tree: SysfsTree) -> None:
    tree.mountinfo("27 1 0:25 / / rw - poolfs tank/root rw")
    assert system_disks(tree.root).untraced == ("/: poolfs on tank/root is not on a disk known here",)
