"""Where a file lies on its file system's device (Documentation/filesystems/fiemap.rst of the kernel)."""

from __future__ import annotations

import errno
import fcntl
import struct
from collections.abc import Iterator
from dataclasses import dataclass

# linux/fiemap.h and linux/fs.h, on x86 and arm.
_FS_IOC_FIEMAP = 0xC020660B
_HEADER = struct.Struct("=QQIIII")  # start, length, flags, mapped extents, room for extents, reserved
_EXTENT = struct.Struct("=QQQ16xI12x")  # logical, physical, length, flags
_ROOM = 256
_MOST_EXTENTS = 1 << 20  # 24 MiB of arguments; a swap file has a few
_LAST = 0x1


@dataclass(frozen=True)
class Extent:
    """Bytes; `physical` counts from the start of the file system's device and means nothing where `unknown`."""

    logical: int
    physical: int
    length: int
    flags: int

    @property
    def unknown(self) -> bool:
        """Whether the place is not fixed, or not that of plain bytes.

        FIEMAP_EXTENT_UNKNOWN, DELALLOC, ENCODED, DATA_ENCRYPTED, NOT_ALIGNED, DATA_INLINE, DATA_TAIL (fiemap.rst).
        """
        return bool(self.flags & 0x78E)


def file_extents(fd: int) -> list[Extent]:
    """The extents of an open file, in the order of the file; holes have none. What is not written yet may lack.

    Raises OSError: EOPNOTSUPP where the file system cannot tell, EFBIG for more than a million extents.
    """
    found: list[Extent] = []
    for extent in _extents(fd):
        found.append(extent)
        if len(found) > _MOST_EXTENTS:
            raise OSError(errno.EFBIG, "the file lies in more than a million pieces")
    return found


def _extents(fd: int) -> Iterator[Extent]:
    start = 0
    while True:
        request = bytearray(_HEADER.size + _ROOM * _EXTENT.size)
        _HEADER.pack_into(request, 0, start, (1 << 64) - 1 - start, 0, 0, _ROOM, 0)
        fcntl.ioctl(fd, _FS_IOC_FIEMAP, request)
        mapped = min(_HEADER.unpack_from(request)[3], _ROOM)
        if not mapped:
            return
        for place in range(mapped):
            extent = Extent(*_EXTENT.unpack_from(request, _HEADER.size + place * _EXTENT.size))
            yield extent
            if extent.flags & _LAST or extent.logical + extent.length <= start:
                return
            start = extent.logical + extent.length
