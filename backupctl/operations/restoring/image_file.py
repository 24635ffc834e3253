"""The file that a restore writes: beside the name that it is to have, which it gets when all of it is on the disk."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.units import size as in_words


def too_little_room(target: Path, need: int) -> tuple[str, ...]:
    """A warning where `need` bytes have no room. Not refused: a file system may compress what it holds."""
    if not target.parent.is_dir():
        return ()
    there = shutil.disk_usage(target.parent).free
    if there >= need:
        return ()
    return (f"{target.parent} has room for {in_words(there)}, and {target.name} takes about {in_words(need)}",)


@contextmanager
def named_file(target: Path, size: int) -> Iterator[ImageFile]:
    """A sparse file of `size` bytes beside `target`, which is synced and gets its name if the block ends well.

    Raises BackupctlError, with nothing left of it, where it cannot be written.
    """
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        with ImageFile(target, beside, size) as file:
            yield file
            file.sync()
        _name(beside, target)
    finally:
        beside.unlink(missing_ok=True)


def _name(beside: Path, target: Path) -> None:
    """Gives the file `beside` its name. Raises Refused if something has that name by now."""
    try:
        target.hardlink_to(beside)  # unlike a rename, it never replaces what is there (link(2)); `beside` goes later
        return
    except FileExistsError:
        pass
    except OSError:
        # FAT and some network file systems have no hard links.
        if not os.path.lexists(target):
            beside.rename(target)
            return
    raise Refused(f"{target} came to be meanwhile", "Nothing is overwritten. Choose another name.")


@contextmanager
def _written_for(target: Path, size: int) -> Iterator[None]:
    """What goes wrong is told of the file that was asked for, and not of the share that it is read from."""
    try:
        yield
    except OSError as error:
        folder, gone = target.parent, "Nothing is left of the file."
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise BackupctlError(
                f"{folder} is full: {target.name} has no room there", f"{gone} Name a folder on another disk."
            ) from error
        if error.errno == errno.EFBIG:
            raise BackupctlError(
                f"the file system of {folder} takes no file of {in_words(size)}",
                f"{gone} FAT ends at 4 GiB. Name a folder on another file system.",
            ) from error
        raise BackupctlError(f"{target} cannot be written: {error.strerror}", f"{gone} Name another folder.") from error


class ImageFile:
    """A sparse file: zeros and free space are holes. `target` is the name that it is to have, `path` where it is."""

    def __init__(self, target: Path, path: Path, size: int) -> None:
        self._told = (target, size)
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        with _written_for(*self._told):
            self._descriptor = os.open(path, flags, 0o600)  # an image holds keys and passwords
        try:
            with _written_for(*self._told):
                os.truncate(self._descriptor, size)
        except BackupctlError:
            os.close(self._descriptor)
            raise
        self._position = threading.Lock()

    def write(self, offset: int, data: bytes) -> None:
        left = memoryview(data)
        with _written_for(*self._told):
            while left:
                if hasattr(os, "pwrite"):
                    count = os.pwrite(self._descriptor, left, offset)
                else:
                    with self._position:
                        os.lseek(self._descriptor, offset, os.SEEK_SET)
                        count = os.write(self._descriptor, left)
                offset, left = offset + count, left[count:]

    def zero(self, offset: int, length: int) -> None: ...

    def free(self, offset: int, length: int) -> None: ...

    def sync(self) -> None:
        with _written_for(*self._told):
            os.fsync(self._descriptor)

    def __enter__(self) -> ImageFile:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._descriptor)
