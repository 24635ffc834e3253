"""Reading a disk past the page cache, which goes stale behind a mounted file system."""

from __future__ import annotations

import mmap
import os
import threading

from backupctl.board.descriptor import DescriptorReader

_PAGE = 4096  # a multiple of every sector size
_BOUNCE = 256 << 10


class DirectReader(DescriptorReader):
    """DescriptorReader over a block device opened with O_DIRECT.

    open(2) asks for memory, offset and length in multiples of the logical sector. `read_at` goes through a buffer;
    what is given to `read_into` must be so by itself.
    """

    def __init__(self, fd: int, size: int, name: str) -> None:
        super().__init__(fd, size, name)
        self._local = threading.local()

    def _read(self, offset: int, length: int) -> bytes:
        start = offset // _PAGE * _PAGE
        buffer = self._bounce()
        end = min(_BOUNCE, -(-(offset + length - start) // _PAGE) * _PAGE)
        count = os.preadv(self._fd, [buffer[:end]], start)
        return bytes(buffer[offset - start : min(count, offset - start + length)])

    def _bounce(self) -> memoryview:
        buffer: memoryview | None = getattr(self._local, "buffer", None)
        if buffer is None:
            buffer = self._local.buffer = memoryview(mmap.mmap(-1, _BOUNCE))
        return buffer
