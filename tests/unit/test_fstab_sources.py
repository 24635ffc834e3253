"""First fields of fstab: the forms of fstab(5), and links as udev makes them (encoded as `udevadm info` shows them)."""

from __future__ import annotations

import pytest

from backupctl.formats.fstab_sources import partition_number, tag_and_value


@pytest.mark.parametrize(
    ("source", "number"),
    [
        ("/dev/mmcblk0p1", 1),
        ("/dev/mmcblk1p12", 12),
        ("/dev/sda2", 2),
        ("/dev/vdb15", 15),
        ("/dev/nvme0n1p3", 3),
        ("/dev/mmcblk0", None),
        ("/dev/nvme0n1", None),
        ("/dev/mapper/vault1", None),
        ("/dev/root", None),
        ("tmpfs", None),
    ],
)
def test_devices(source: str, number: int | None) -> None:
    assert partition_number(source) == number


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("UUID=5EED-0001", ("UUID", "5EED-0001")),
        ('LABEL="root fs"', ("LABEL", "root fs")),
        ("PARTUUID=5eed0001-02", ("PARTUUID", "5eed0001-02")),
        ("PARTLABEL=firmware", ("PARTLABEL", "firmware")),
        ("/dev/disk/by-label/root\\x20fs", ("LABEL", "root fs")),
        ("/dev/disk/by-partuuid/5eed0001-02", ("PARTUUID", "5eed0001-02")),
        ("/dev/disk/by-id/usb-reader", ("", "")),
        ("nas.lan:/music", ("", "")),
        ("overlay", ("", "")),
    ],
)
def test_tags(source: str, expected: tuple[str, str]) -> None:
    assert tag_and_value(source) == expected
