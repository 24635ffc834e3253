"""A file that holds the bytes of a card. Works on any system."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from types import TracebackType

from backupctl.board.descriptor import DescriptorReader
from backupctl.domain.errors import NotFound, Refused


class FileReader(DescriptorReader):
    """ReadAt over a regular file, opened for reading for as long as the reader is open."""

    def __init__(self, path: str | Path, sector_size: int = 512) -> None:
        """`sector_size` is that of the card whose bytes the file holds; the file itself does not tell.

        Raises NotFound if there is no such file, Refused if it is not a regular file or may not be read.
        """
        self.path = Path(path)
        self.sector_size = sector_size
        try:
            fd = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            raise NotFound(f"{path} does not exist") from None
        except OSError as error:
            raise Refused(f"{path} cannot be read: {error.strerror}") from error
        status = os.fstat(fd)
        if not stat.S_ISREG(status.st_mode):
            os.close(fd)
            raise Refused(f"{path} is not a regular file")
        super().__init__(fd, status.st_size, str(path))

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
