"""Scratch files that nobody finds: without a name, for their owner only, gone when this process is, however it ends."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from backupctl.domain.errors import Refused
from backupctl.formats.reader import check_bounds

_NO_NAMELESS = (errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT, errno.EINVAL)  # open(2), O_TMPFILE; file systems differ


def room(folder: Path) -> int:
    """Bytes that can still be written there."""
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize


class ScratchFile:
    """A sparse file: ReadAt, and writable; for several threads at once. What was never written reads as zeros."""

    def __init__(self, folder: Path, size: int) -> None:
        """Raises Refused if nothing can be made in `folder`."""
        try:
            self._fd = _nameless(folder)
        except OSError as error:
            raise Refused(
                f"no scratch file can be made in {folder}: {error.strerror}", "Name another folder: --scratch DIR."
            ) from error
        self._folder = folder
        os.ftruncate(self._fd, size)

    @property
    def size(self) -> int:
        """Bytes; programs may have changed it."""
        return os.fstat(self._fd).st_size

    @property
    def path(self) -> Path:
        """For programs that this process starts (proc(5), /proc/PID/fd)."""
        return Path(f"/proc/{os.getpid()}/fd/{self._fd}")

    def read_at(self, offset: int, length: int) -> bytes:
        """See ReadAt."""
        check_bounds(offset, length, self.size)
        pieces = []
        while length:
            piece = os.pread(self._fd, length, offset)
            if not piece:
                raise OSError(errno.EIO, "a scratch file became shorter")
            pieces.append(piece)
            offset, length = offset + len(piece), length - len(piece)
        return b"".join(pieces)

    def write(self, offset: int, data: bytes) -> None:
        """Raises Refused if the folder's disk is full."""
        left = memoryview(data)
        try:
            while left:
                count = os.pwrite(self._fd, left, offset)
                offset, left = offset + count, left[count:]
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise
            raise Refused(
                f"the scratch folder {self._folder} took no more: {error.strerror}",
                "Nothing was written to the card. Name a folder with more room: --scratch DIR.",
            ) from error

    def resize(self, size: int) -> None:
        os.ftruncate(self._fd, size)

    def written(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """What of `[start, end)` the file system keeps blocks for (lseek(2), SEEK_DATA): the rest is zeros."""
        at = start
        while at < end:
            try:
                low = os.lseek(self._fd, at, os.SEEK_DATA)
            except OSError as error:
                if error.errno == errno.ENXIO:
                    return
                raise
            high = min(os.lseek(self._fd, low, os.SEEK_HOLE), end)
            if low >= end:
                return
            yield low, high
            at = high

    def fileno(self) -> int:
        """Its descriptor, for what this process does with it."""
        return self._fd

    def close(self) -> None:
        os.close(self._fd)


def _nameless(folder: Path) -> int:
    try:
        return os.open(folder, os.O_RDWR | os.O_TMPFILE | os.O_CLOEXEC, 0o600)
    except OSError as error:
        if error.errno not in _NO_NAMELESS or not folder.is_dir():
            raise
    path = folder / f".{secrets.token_hex(8)}"
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    path.unlink()
    return fd
