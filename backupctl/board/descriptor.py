"""Reading by position from an open descriptor."""

from __future__ import annotations

import errno
import os
import threading

from backupctl.formats.reader import check_bounds


class DescriptorReader:
    """ReadAt over an open file or device of `size` bytes; for use by many threads. The descriptor stays its owner's."""

    def __init__(self, fd: int, size: int, name: str) -> None:
        """`name` is for messages."""
        self._fd = fd
        self._size = size
        self._name = name
        self._position = threading.Lock()

    @property
    def size(self) -> int:
        """Bytes, as they were when it was opened."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """See ReadAt. Raises OSError if the medium ends before its size: a file that has become shorter meanwhile."""
        check_bounds(offset, length, self._size)
        pieces = []
        while length:
            piece = self._read(offset, length)
            if not piece:
                raise self._ended(offset)
            pieces.append(piece)
            offset += len(piece)
            length -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def read_into(self, offset: int, view: memoryview) -> None:
        """Fills `view` with the bytes from `offset` on. Raises as `read_at`."""
        if not hasattr(os, "preadv"):
            view[:] = self.read_at(offset, len(view))
            return
        check_bounds(offset, len(view), self._size)
        while view:
            count = os.preadv(self._fd, [view], offset)
            if not count:
                raise self._ended(offset)
            offset, view = offset + count, view[count:]

    def _read(self, offset: int, length: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self._fd, length, offset)
        with self._position:
            os.lseek(self._fd, offset, os.SEEK_SET)
            return os.read(self._fd, length)

    def _ended(self, offset: int) -> OSError:
        return OSError(errno.EIO, f"it ends at byte {offset}, before its size", self._name)
