"""A share without a disk below it, and with a clock of its own: for a year of nights in a minute."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

from backupctl.domain.errors import Malformed
from backupctl.share.storage import Bytes, Sink, Source


class _File:
    def __init__(self, modified: float, content: bytes = b"") -> None:
        self.content = bytearray(content)
        self.modified = modified


class StorageInMemory:
    """A `Storage`; `clock` is the server's, in seconds since 1970, and there is as much room as `free`."""

    def __init__(self, clock: Callable[[], float], free: int = 1 << 40) -> None:
        self._clock = clock
        self._free = free
        self._folders: dict[str, dict[str, _File | None]] = {"": {}}  # None: a folder

    @property
    def total(self) -> int:
        """Bytes of all files."""
        return sum(self._bytes_in(folder) for folder in self._folders)

    def total_of(self, top: str) -> int:
        """Bytes of all files in a folder and in those below it."""
        return sum(self._bytes_in(folder) for folder in self._folders if folder == top or folder.startswith(f"{top}/"))

    def _bytes_in(self, folder: str) -> int:
        return sum(len(file.content) for file in self._folders[folder].values() if file is not None)

    def load(self, root: Path) -> None:
        """Takes over a folder of this machine."""
        for path in sorted(root.rglob("*")):
            name = path.relative_to(root).as_posix()
            if path.is_dir():
                self.make_folder(name)
            else:
                folder, last = _split(name)
                self._folders[folder][last] = _File(self._clock(), path.read_bytes())

    def save(self, root: Path) -> None:
        for folder, names in self._folders.items():
            (root / folder).mkdir(parents=True, exist_ok=True)
            for name, file in names.items():
                if file is not None:
                    (root / folder / name).write_bytes(file.content)

    def _file(self, name: str) -> _File:
        folder, last = _split(name)
        file = self._folders.get(folder, {}).get(last)
        if file is None:
            raise FileNotFoundError(errno.ENOENT, "no such file", name)
        return file

    def create(self, name: str) -> Sink:
        folder, last = _split(name)
        if last in self._folders[folder]:
            raise FileExistsError(errno.EEXIST, "exists already", name)
        file = self._folders[folder][last] = _File(self._clock())
        return _Open(file, self._clock)

    def open(self, name: str, past_cache: bool = False) -> Source:
        return _Open(self._file(name), self._clock)

    def read(self, name: str, most: int) -> bytes:
        content = self._file(name).content
        if len(content) > most:
            raise Malformed(name, most, f"a file of at most {most} bytes", "a larger one")
        return bytes(content)

    def size(self, name: str) -> int | None:
        folder, last = _split(name)
        file = self._folders.get(folder, {}).get(last)
        return None if file is None else len(file.content)

    def modified(self, name: str) -> float:
        return self._file(name).modified

    def names(self, folder: str) -> list[str]:
        return sorted(self._folders.get(folder, {}))

    def rename(self, old: str, new: str) -> None:
        file = self._file(old)
        (old_folder, old_last), (folder, last) = _split(old), _split(new)
        if last in self._folders[folder]:
            raise FileExistsError(errno.EEXIST, "exists already", new)
        self._folders[folder][last] = file
        del self._folders[old_folder][old_last]

    def unlink(self, name: str) -> None:
        folder, last = _split(name)
        self._folders[folder].pop(last, None)

    def make_folder(self, name: str) -> None:
        if name in self._folders:
            return
        folder, last = _split(name)
        self.make_folder(folder)
        self._folders[folder][last] = None
        self._folders[name] = {}

    def remove_folder(self, name: str) -> None:
        if self._folders[name]:
            raise OSError(errno.ENOTEMPTY, "not empty", name)
        folder, last = _split(name)
        del self._folders[name]
        del self._folders[folder][last]

    def sync_folder(self, name: str) -> None:
        pass

    def sync_file(self, name: str) -> None:
        pass

    def free_bytes(self) -> int:
        return self._free - self.total


def _split(name: str) -> tuple[str, str]:
    folder, _, last = name.rpartition("/")
    return folder, last


class _Open:
    """A file being written, or read."""

    def __init__(self, file: _File, clock: Callable[[], float]) -> None:
        self._file = file
        self._clock = clock

    def write(self, data: Bytes) -> None:
        self._file.content += data
        self._file.modified = self._clock()

    def rewrite(self, data: Bytes) -> None:
        self._file.content[: len(data)] = data
        self._file.modified = self._clock()

    def sync(self) -> None:
        pass

    def read_at(self, offset: int, length: int) -> bytes:
        return bytes(self._file.content[offset : offset + length])

    def close(self) -> None:
        pass

    def __enter__(self) -> _Open:
        return self

    def __exit__(self, *_: object) -> None:
        pass
