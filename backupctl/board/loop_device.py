"""A file that stands for a block device, for as long as something uses it: a loop device that goes by itself.

Numbers, structure and flags are those of linux/loop.h.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterator
from contextlib import contextmanager

from backupctl.domain.errors import Refused

_SET_FD, _CLEAR, _SET_STATUS64, _GET_FREE = 0x4C00, 0x4C01, 0x4C04, 0x4C82
_AUTOCLEAR = 4
_GOES_BY_ITSELF = struct.pack("=5Q4I64s64s32s2Q", *(0,) * 8, _AUTOCLEAR, b"", b"", b"", 0, 0)
_ATTEMPTS = 16  # others take free ones as well


@contextmanager
def loop_device(file: int) -> Iterator[str]:
    """Its path; `file` is open for reading and writing. What mounts it keeps it beyond the block. Raises Refused."""
    try:
        number, device = _attached(file)
    except OSError as error:
        raise Refused(
            f"there is no loop device to be had: {error.strerror}", "It takes root, and a kernel with loop devices."
        ) from error
    try:
        yield f"/dev/loop{number}"
    finally:
        os.close(device)


def _attached(file: int) -> tuple[int, int]:
    control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
    try:
        for _ in range(_ATTEMPTS):
            number = fcntl.ioctl(control, _GET_FREE)
            device = os.open(f"/dev/loop{number}", os.O_RDWR | os.O_CLOEXEC)
            try:
                fcntl.ioctl(device, _SET_FD, file)
            except OSError as error:
                os.close(device)
                if error.errno != errno.EBUSY:
                    raise
                continue
            try:
                fcntl.ioctl(device, _SET_STATUS64, _GOES_BY_ITSELF)
            except OSError:
                fcntl.ioctl(device, _CLEAR)
                os.close(device)
                raise
            return number, device
    finally:
        os.close(control)
    raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
