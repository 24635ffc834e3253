"""Reading a disk past the page cache, which goes stale behind a mounted file system."""

from __future__ import annotations

import errno
import mmap
import os
import threading

from backupctl.formats.reader import check_bounds

_PAGE = 4096  # a multiple of every sector size
_BOUNCE = 256 << 10


class DirectReader:
    """ReadAt over a block device opened with O_DIRECT; for use by many threads. The descriptor stays its owner's.

    open(2) asks for memory, offset and length in multiples of the logical sector; what is not goes through a buffer.
    """

    def __init__(self, fd: int, size: int) -> None:
        self._fd = fd
        self._size = size
        self._local = threading.local()

    @property
    def size(self) -> int:
        """Bytes."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """See ReadAt."""
        check_bounds(offset, length, self._size)
        pieces = []
        while length:
            start = offset // _PAGE * _PAGE
            buffer = self._bounce()
            count = self._read(start, buffer[: min(_BOUNCE, -(-(offset + length - start) // _PAGE) * _PAGE)])
            piece = bytes(buffer[offset - start : min(count, offset - start + length)])
            if not piece:
                raise OSError(errno.EIO, f"the device ends at byte {offset}, before its size")
            pieces.append(piece)
            offset += len(piece)
            length -= len(piece)
        return b"".join(pieces)

    def read_into(self, offset: int, view: memoryview) -> None:
        """Fills `view`, which must begin at a multiple of the sector in memory. Raises as `read_at`."""
        check_bounds(offset, len(view), self._size)
        while view:
            count = self._read(offset, view)
            if not count:
                raise OSError(errno.EIO, f"the device ends at byte {offset}, before its size")
            offset, view = offset + count, view[count:]

    def _read(self, offset: int, view: memoryview) -> int:
        return os.preadv(self._fd, [view], offset)

    def _bounce(self) -> memoryview:
        buffer: memoryview | None = getattr(self._local, "buffer", None)
        if buffer is None:
            buffer = self._local.buffer = memoryview(mmap.mmap(-1, _BOUNCE))
        return buffer
