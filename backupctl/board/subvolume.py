"""Subvolumes of btrfs: folders with a device number of their own, on which nothing is mounted."""

from __future__ import annotations

import fcntl
import os

# BTRFS_IOC_GET_SUBVOL_INFO and struct btrfs_ioctl_get_subvol_info_args of linux/btrfs.h (since Linux 4.18).
_GET_INFO, _INFO_BYTES, _PARENT = 0x81F8943C, 504, slice(312, 328)


def is_snapshot(folder: bytes) -> bool:
    """Whether it is a copy of another subvolume, of the moment when it was made; not so where that cannot be told."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        told = bytearray(_INFO_BYTES)
        fcntl.ioctl(descriptor, _GET_INFO, told)
        return any(told[_PARENT])
    except OSError:
        return False
    finally:
        os.close(descriptor)
