"""The one seam through which everything on a share is read and written.

A `Storage` is a folder. Names are relative, joined by "/", and made by `layout` from checked pieces only. Tests put
another implementation in its place, whose nth operation fails, tears, or loses power.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import Protocol

from backupctl.domain.errors import Malformed, Refused

Bytes = bytes | bytearray | memoryview


class Sink(Protocol):
    """A file being written. Any error from `sync` or `close` means: all since the last good `sync` is lost.

    A network file system says ENOSPC or EIO of an earlier write once, at the first sync, and then calls it done.
    """

    def write(self, data: Bytes) -> None: ...

    def rewrite(self, data: Bytes) -> None:
        """Writes `data` from byte 0 on, in place."""
        ...

    def sync(self) -> None: ...

    def close(self) -> None: ...


class Source(Protocol):
    """A file being read."""

    def read_at(self, offset: int, length: int) -> bytes:
        """At most `length` bytes from `offset`; fewer only at the end of the file."""
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Source: ...

    def __exit__(self, *_: object) -> None: ...


class Storage(Protocol):
    """A folder on a share. All methods raise OSError as the operating system does."""

    def create(self, name: str) -> Sink:
        """A new file; FileExistsError if there is one."""
        ...

    def open(self, name: str, past_cache: bool = False) -> Source:
        """`past_cache`: what this machine remembers of the file is forgotten first, so that the server is asked."""
        ...

    def read(self, name: str, most: int) -> bytes:
        """A whole file; Malformed if it is larger than `most` bytes."""
        ...

    def size(self, name: str) -> int | None:
        """The size of a file in bytes, None if there is none."""
        ...

    def modified(self, name: str) -> float:
        """By the server's clock, seconds since 1970."""
        ...

    def names(self, folder: str) -> list[str]:
        """What is in a folder ("" is the storage's own), sorted; nothing if there is no such folder."""
        ...

    def rename(self, old: str, new: str) -> None:
        """To a name that nothing has: a file that somebody holds open must never be replaced on SMB."""
        ...

    def unlink(self, name: str) -> None:
        """Fine if it is going already: SMB lists a file that somebody holds open until that ends, and has none."""
        ...

    def make_folder(self, name: str) -> None:
        """With its parents; fine if it is there."""
        ...

    def remove_folder(self, name: str) -> None:
        """An empty one."""
        ...

    def sync_folder(self, name: str) -> None: ...

    def sync_file(self, name: str) -> None:
        """Puts a file on stable storage that perhaps an earlier process wrote, and never synced."""
        ...

    def free_bytes(self) -> int: ...


class _FileSink:
    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def write(self, data: Bytes) -> None:
        left = memoryview(data)
        while left:
            left = left[os.write(self._descriptor, left) :]

    def rewrite(self, data: Bytes) -> None:
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        self.write(data)

    def sync(self) -> None:
        os.fsync(self._descriptor)

    def close(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)


class _FileSource:
    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def read_at(self, offset: int, length: int) -> bytes:
        if hasattr(os, "pread"):
            found = os.pread(self._descriptor, length, offset)
            while (
                found
                and len(found) < length
                and (more := os.pread(self._descriptor, length - len(found), offset + len(found)))
            ):
                found += more
            return found
        os.lseek(self._descriptor, offset, os.SEEK_SET)
        return os.read(self._descriptor, length)

    def close(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)

    def __enter__(self) -> _FileSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class FolderStorage:
    """Storage in a folder of this machine's file tree: a mounted share, as a rule."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._plain: set[str] = set()  # folders that were seen not to be symbolic links

    def _path(self, name: str) -> Path:
        """Where `name` is, if no folder on the way is a symbolic link: a hostile share must not lead out of itself."""
        pieces = name.split("/")
        if not name or any(piece in ("", ".", "..") or "\\" in piece or "\0" in piece for piece in pieces):
            raise Malformed("name on the share", 0, "pieces without '..'", repr(name))
        for count in range(1, len(pieces)):
            folder = "/".join(pieces[:count])
            if folder not in self._plain:
                try:
                    mode = (self.root / folder).lstat().st_mode
                except FileNotFoundError:
                    break
                if stat.S_ISLNK(mode):
                    raise Refused(f"{self.root / folder} is a symbolic link", "A shelf has none: look who made it.")
                self._plain.add(folder)
        return self.root / name

    def create(self, name: str) -> Sink:
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        return _FileSink(os.open(self._path(name), flags, 0o640))

    def open(self, name: str, past_cache: bool = False) -> Source:
        flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        descriptor = os.open(self._path(name), flags | getattr(os, "O_NONBLOCK", 0))
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.EINVAL, "not a regular file", str(self.root / name))
        if past_cache and hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        return _FileSource(descriptor)

    def read(self, name: str, most: int) -> bytes:
        with self.open(name) as source:
            found = source.read_at(0, most + 1)
        if len(found) > most:
            raise Malformed(name, most, f"a file of at most {most} bytes", "a larger one")
        return found

    def size(self, name: str) -> int | None:
        try:
            found = self._path(name).lstat()
        except (FileNotFoundError, NotADirectoryError):
            return None
        return found.st_size if stat.S_ISREG(found.st_mode) else None

    def modified(self, name: str) -> float:
        return self._path(name).lstat().st_mtime

    def names(self, folder: str) -> list[str]:
        try:
            return sorted(entry.name for entry in (self._path(folder) if folder else self.root).iterdir())
        except FileNotFoundError:
            return []

    def rename(self, old: str, new: str) -> None:
        target = self._path(new)
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "exists already", str(target))
        self._path(old).rename(target)

    def unlink(self, name: str) -> None:
        self._path(name).unlink(missing_ok=True)

    def make_folder(self, name: str) -> None:
        self._path(name).mkdir(mode=0o750, parents=True, exist_ok=True)

    def remove_folder(self, name: str) -> None:
        self._path(name).rmdir()
        self._plain.discard(name)

    def sync_folder(self, name: str) -> None:
        if not hasattr(os, "O_DIRECTORY"):
            return  # no such call there; such systems only read shares
        descriptor = os.open(self._path(name) if name else self.root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def sync_file(self, name: str) -> None:
        # For writing: on a network file system, a descriptor for reading only has nothing that it could sync.
        flags = os.O_RDWR | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        descriptor = os.open(self._path(name), flags | getattr(os, "O_NONBLOCK", 0))
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def free_bytes(self) -> int:
        found = os.statvfs(self.root)
        return found.f_bavail * found.f_frsize


def write_whole(storage: Storage, name: str, data: Bytes) -> None:
    """A new small file, on stable storage when this returns (its name needs `sync_folder` yet)."""
    sink = storage.create(name)
    try:
        sink.write(data)
        sink.sync()
    finally:
        sink.close()
