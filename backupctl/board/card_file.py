"""A file that holds the bytes of a card. Works on any system."""

from __future__ import annotations

import errno
import os
import stat
import threading
from pathlib import Path
from types import TracebackType

from backupctl.domain.errors import NotFound, Refused
from backupctl.formats.reader import check_bounds


class FileReader:
    """ReadAt over a regular file, opened for reading for as long as the reader is open; for use by many threads."""

    def __init__(self, path: str | Path, sector_size: int = 512) -> None:
        """`sector_size` is that of the card whose bytes the file holds; the file itself does not tell.

        Raises NotFound if there is no such file, Refused if it is not a regular file or may not be read.
        """
        self.path = Path(path)
        self.sector_size = sector_size
        try:
            self._fd = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            raise NotFound(f"{path} does not exist") from None
        except OSError as error:
            raise Refused(f"{path} cannot be read: {error.strerror}") from error
        status = os.fstat(self._fd)
        if not stat.S_ISREG(status.st_mode):
            self.close()
            raise Refused(f"{path} is not a regular file")
        self._size = status.st_size
        self._position = threading.Lock()

    @property
    def size(self) -> int:
        """Bytes that the file had when it was opened."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """See ReadAt. Raises OSError if the file has become shorter meanwhile."""
        check_bounds(offset, length, self._size)
        pieces = []
        while length:
            piece = self._read(offset, length)
            if not piece:
                raise OSError(errno.EIO, f"the file ends at byte {offset}, before its size", str(self.path))
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
                raise OSError(errno.EIO, f"the file ends at byte {offset}, before its size", str(self.path))
            offset, view = offset + count, view[count:]

    def _read(self, offset: int, length: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self._fd, length, offset)
        with self._position:
            os.lseek(self._fd, offset, os.SEEK_SET)
            return os.read(self._fd, length)

    def close(self) -> None:
        """Gives the descriptor back; a second call does nothing."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def __enter__(self) -> FileReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
