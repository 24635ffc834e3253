"""A block device that is held open: nobody else's, proven to be the one that was meant, and what can be asked of it.

The numbers of the calls are those of linux/fs.h on x86 and arm (asm-generic/ioctl.h).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from backupctl.board.block_device import BlockDevice, disk_of
from backupctl.board.descriptor import DescriptorReader
from backupctl.domain.errors import InUse, NotFound, Refused

_BLKROGET = 0x125E
_BLKRRPART = 0x125F
_BLKFLSBUF = 0x1261
_BLKSSZGET = 0x1268
# Declared with size_t, though the answer has 8 bytes everywhere.
_BLKGETSIZE64 = 0x80001272 | ctypes.sizeof(ctypes.c_size_t) << 16
_BLKDISCARD = 0x1277
_BLKZEROOUT = 0x127F
_BLKGETDISKSEQ = 0x80081280

# A call for more would neither show progress nor end soon after a signal; where the device cannot do it, the kernel
# writes the zeros, and a slow card takes 10 MB/s.
_ZERO_STEP_BYTES = 16 << 20
_DISCARD_STEP_BYTES = 1 << 30


@dataclass(frozen=True)
class OpenDevice:
    """What the open descriptor itself says; bytes."""

    fd: int
    path: str
    major: int
    minor: int
    sequence: int  # see BlockDevice; 0 before Linux 5.15
    size: int
    sector_size: int
    read_only: bool


@contextmanager
def open_exclusive(path: str | Path, write: bool, expected: BlockDevice | None = None) -> Iterator[OpenDevice]:
    """Opens a block device so that it cannot be mounted or otherwise claimed until the block is left.

    Succeeds only if neither the device nor (for a whole disk) a partition of it is mounted, in use for swap, or part of
    another device, in whichever mount namespace (open(2), O_EXCL without O_CREAT). `expected` is the disk that was
    looked at before: the one that was opened must be the same. Raises NotFound if there is nothing at `path`, Refused
    for anything else.
    """
    fd = _open(path, (os.O_RDWR if write else os.O_RDONLY) | os.O_EXCL)
    try:
        device = _identify(fd, str(path))
        if write and device.read_only:
            raise Refused(f"{path} is write-protected", "A full-size card has a lock switch on its side.")
        if expected is not None:
            _prove_same(device, expected)
        yield device
    finally:
        os.close(fd)


@contextmanager
def open_shared(path: str | Path, expected: BlockDevice | None = None, direct: bool = False) -> Iterator[OpenDevice]:
    """Opens a block device for looking only, whoever uses it; `direct`: past the page cache (open(2), O_DIRECT).

    `expected` and errors are as for `open_exclusive`.
    """
    fd = _open(path, os.O_RDONLY | (os.O_DIRECT if direct else 0))
    try:
        device = _identify(fd, str(path))
        if expected is not None:
            _prove_same(device, expected)
        yield device
    finally:
        os.close(fd)


def _open(path: str | Path, flags: int) -> int:
    try:
        # Opening a fifo would wait for a writer.
        if not stat.S_ISBLK(Path(path).stat().st_mode):
            raise Refused(f"{path} is not a block device", "`backupctl cards` lists those of this machine.")
        return os.open(path, flags | os.O_CLOEXEC)
    except FileNotFoundError:
        raise NotFound(f"{path} does not exist") from None
    except OSError as error:
        raise _refusal(path, error) from error


def _refusal(path: str | Path, error: OSError) -> Refused:
    if error.errno == errno.EBUSY:
        try:
            users = disk_of(path).users()
        except NotFound:
            users = []
        if users:
            return InUse(f"{path} is in use: {'; '.join(users)}", "Unmount it first, or choose another device.")
        return InUse(
            f"{path} is in use by something that is not visible from here",
            "A mount in another namespace (a container, a service of its own) is the usual reason.",
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        if os.geteuid() == 0:
            return Refused(f"{path} may not be opened here, not even by root", "Do the rules of a container forbid it?")
        return Refused(f"{path} may not be opened by this user", "Run the command as root.")
    if error.errno == errno.EROFS:
        return Refused(f"{path} is write-protected", "A full-size card has a lock switch on its side.")
    if error.errno in (errno.ENOMEDIUM, errno.ENXIO):
        return Refused(f"there is no medium in {path}", "Put the card in.")
    return Refused(f"{path} cannot be opened: {error.strerror}")


def _identify(fd: int, path: str) -> OpenDevice:
    status = os.fstat(fd)
    if not stat.S_ISBLK(status.st_mode):
        raise Refused(f"{path} is not a block device", "`backupctl cards` lists those of this machine.")
    try:
        sequence = _ask(fd, _BLKGETDISKSEQ, "=Q")
    except OSError as error:
        if error.errno not in (errno.ENOTTY, errno.EINVAL):
            raise
        sequence = 0
    return OpenDevice(
        fd,
        path,
        os.major(status.st_rdev),
        os.minor(status.st_rdev),
        sequence,
        size=_ask(fd, _BLKGETSIZE64, "=Q"),
        sector_size=_ask(fd, _BLKSSZGET, "=i"),
        read_only=_ask(fd, _BLKROGET, "=i") != 0,
    )


def _ask(fd: int, call: int, layout: str) -> int:
    (answer,) = struct.unpack(layout, fcntl.ioctl(fd, call, bytes(struct.calcsize(layout))))
    return int(answer)


def _prove_same(device: OpenDevice, expected: BlockDevice) -> None:
    opened = (device.major, device.minor, device.size, device.sector_size)
    looked_at = (expected.major, expected.minor, expected.size, expected.sector_size)
    same_medium = not device.sequence or not expected.sequence or device.sequence == expected.sequence
    if opened != looked_at or not same_medium:
        raise Refused(
            f"{device.path} is not the device that was looked at a moment ago",
            "Was a card changed? Nothing was written; look again and start over.",
        )


class DeviceReader(DescriptorReader):
    """ReadAt over an open block device."""

    def __init__(self, fd: int) -> None:
        super().__init__(fd, _ask(fd, _BLKGETSIZE64, "=Q"), "the device")
        self.sector_size = _ask(fd, _BLKSSZGET, "=i")


def discard(fd: int, start: int, length: int) -> bool:
    """Tells the device that `[start, start + length)` is free; False if it has no use for that.

    Whole sectors only. What is read there afterwards may be anything. Raises OSError otherwise.
    """
    try:
        _in_steps(fd, _BLKDISCARD, start, length, _DISCARD_STEP_BYTES)
    except OSError as error:
        if error.errno == errno.EOPNOTSUPP:
            return False
        raise
    return True


def zero_out(fd: int, start: int, length: int) -> None:
    """Makes `[start, start + length)` zero, whole sectors only. Where the device cannot do it, the kernel writes zeros.

    Raises OSError.
    """
    _in_steps(fd, _BLKZEROOUT, start, length, _ZERO_STEP_BYTES)


def _in_steps(fd: int, call: int, start: int, length: int, step: int) -> None:
    for at in range(start, start + length, step):
        fcntl.ioctl(fd, call, struct.pack("=QQ", at, min(step, start + length - at)))


def flush(fd: int) -> None:
    """Brings all that was written onto the device and empties the kernel's cache, so that reads come from the device.

    Raises OSError for a write that failed earlier, or without the privilege for it.
    """
    # Only fsync tells of failed writes.
    os.fsync(fd)
    fcntl.ioctl(fd, _BLKFLSBUF, 0)


def reread_partitions(fd: int) -> bool:
    """Makes the kernel look at the partition table anew; False if it cannot (in use, or a loop device without scan)."""
    try:
        fcntl.ioctl(fd, _BLKRRPART, 0)
    except OSError as error:
        if error.errno in (errno.EBUSY, errno.EINVAL):
            return False
        raise
    return True
