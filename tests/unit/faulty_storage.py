"""A share that fails, goes on without the run, fills up, or loses power, in a folder of this machine.

`Disk` knows what is on stable storage and what is not, as strictly as fsync(2) puts it: a file's bytes are safe after
the file was synced, its name after the folder was. `FaultyStorage` is one process that uses the disk.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from backupctl.share.storage import Bytes, FolderStorage, Sink, Source

_SECTOR = 512


class Dead(BaseException):
    """The process has ended; nothing that it still tries reaches the share."""


class Fault(Enum):
    FAILS = "says EIO once, and later calls succeed"
    DIES = "the process ends in the middle of it"
    FULL = "there is no room, from then on"
    UNREADABLE = "reading says EIO once"


@dataclass(eq=False)
class _File:
    stable: bytes = b""
    unsynced: list[tuple[int, bytes]] = field(default_factory=list)

    def settle(self) -> None:
        self.stable, self.unsynced = _with(self.stable, self.unsynced), []

    def lose(self, chance: random.Random) -> None:
        """What a power cut leaves: all, nothing, a file of the right size with zeros in it, or some sectors."""
        full = _with(self.stable, self.unsynced)
        match chance.choice(("all", "nothing", "zeros", "some")) if self.unsynced else "nothing":
            case "all":
                self.stable = full
            case "zeros":
                self.stable = self.stable + bytes(len(full) - len(self.stable))
            case "some":
                sectors = [
                    (offset + at, data[at : at + _SECTOR])
                    for offset, data in self.unsynced
                    for at in range(0, len(data), _SECTOR)
                ]
                self.stable = _with(self.stable, [sector for sector in sectors if chance.random() < 0.5])
        self.unsynced = []


def _with(before: bytes, writes: list[tuple[int, bytes]]) -> bytes:
    made = bytearray(before)
    for offset, data in writes:
        made += bytes(max(0, offset - len(made)))
        made[offset : offset + len(data)] = data
    return bytes(made)


@dataclass(frozen=True)
class _Change:
    """To the names of one folder, or of two; `file` None: `new` or `old` is a folder."""

    file: _File | None
    old: str | None
    new: str | None

    @property
    def folders(self) -> set[str]:
        return {_parent(name) for name in (self.old, self.new) if name is not None}

    def apply(self, files: dict[str, _File], folders: set[str]) -> None:
        if self.file is None:
            folders.discard(self.old or "")
            folders |= {self.new} if self.new else set()
            return
        if self.old is not None and files.get(self.old) is self.file:
            del files[self.old]
        if self.new is not None:
            files[self.new] = self.file


def _parent(name: str) -> str:
    return name.rpartition("/")[0]


class Disk:
    """What the server has; all that is in the folder to begin with is on stable storage."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._start()

    def _start(self) -> None:
        found = [(path.relative_to(self.root).as_posix(), path) for path in self.root.rglob("*")]
        self._pending: list[_Change] = []
        self._stable_folders = {name for name, path in found if path.is_dir()}
        self._stable_files = {name: _File(path.read_bytes()) for name, path in found if path.is_file()}
        self.files = dict(self._stable_files)

    def change(self, change: _Change) -> None:
        self._pending.append(change)
        change.apply(self.files, set())

    def sync_folder(self, name: str) -> None:
        for change in [change for change in self._pending if name in change.folders]:
            change.apply(self._stable_files, self._stable_folders)
            self._pending.remove(change)

    def lose_power(self, chance: random.Random) -> None:
        """Any of the changes of names that were not synced are undone, and any of the bytes lost."""
        kept = chance.choice((0.0, 0.5, 1.0))
        for change in self._pending:
            if chance.random() < kept:
                change.apply(self._stable_files, self._stable_folders)
        self._pending = []
        shutil.rmtree(self.root)
        self.root.mkdir()
        for folder in sorted(self._stable_folders):
            if (self.root / folder).parent.is_dir():
                (self.root / folder).mkdir()
        for name, file in self._stable_files.items():
            file.lose(chance)
            if (self.root / name).parent.is_dir():
                (self.root / name).write_bytes(file.stable)
        self._start()

    def fail_to_sync(self, file: _File, chance: random.Random) -> None:
        """What was to be synced is gone, which the caller is told once."""
        file.lose(chance)
        for name, found in self.files.items():
            if found is file:
                # In place: the file is open, and goes on to be written where it was.
                (self.root / name).write_bytes(file.stable)


class FaultyStorage:
    """A `Storage` on a `Disk` to whose `at`th change (or read) a fault comes; counted from 1 in `changes`, `reads`."""

    def __init__(self, disk: Disk, fault: Fault | None = None, at: int = 0, seed: int = 0) -> None:
        self.disk = disk
        self.changes = self.reads = 0
        self.dead = False
        self._real = FolderStorage(disk.root)
        self._fault = fault
        self._at = at
        self._chance = random.Random(f"{fault} {at} {seed}")

    def look(self) -> None:
        """Before each read."""
        if self.dead:
            raise Dead
        self.reads += 1
        if self._fault is Fault.UNREADABLE and self.reads == self._at:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def do(
        self,
        whole: Callable[[], None],
        half: Callable[[], None] | None = None,
        failed: Callable[[], None] | None = None,
        needs_room: bool = False,
    ) -> None:
        """Makes a change. One that fails or is cut short may have happened all the same, or by half."""
        if self.dead:
            raise Dead
        self.changes += 1
        if self._fault is Fault.FULL and self.changes >= self._at and needs_room:
            (half or (lambda: None))()
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if self.changes != self._at or self._fault not in (Fault.FAILS, Fault.DIES):
            whole()
            return
        in_part = half or whole
        if self._fault is Fault.FAILS and failed is not None:
            in_part = failed
        if self._chance.random() < 0.5:
            in_part()
        if self._fault is Fault.DIES:
            self.dead = True
            raise Dead
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    def sync(self, file: _File) -> None:
        self.do(file.settle, failed=lambda: self.disk.fail_to_sync(file, self._chance))

    def create(self, name: str) -> Sink:
        made: list[Sink] = []
        file = _File()

        def create() -> None:
            made.append(self._real.create(name))
            self.disk.change(_Change(file, None, name))

        try:
            self.do(create, needs_room=True)
        except (OSError, Dead):
            for sink in made:
                sink.close()
            raise
        return _FaultySink(self, made[0], file)

    def rename(self, old: str, new: str) -> None:
        def rename() -> None:
            self._real.rename(old, new)
            self.disk.change(_Change(self.disk.files[old], old, new))

        self.do(rename)

    def unlink(self, name: str) -> None:
        def unlink() -> None:
            self._real.unlink(name)
            self.disk.change(_Change(self.disk.files[name], name, None))

        self.do(unlink)

    def make_folder(self, name: str) -> None:
        def make_folder() -> None:
            for count in range(1, len(name.split("/")) + 1):
                folder = "/".join(name.split("/")[:count])
                if not (self.disk.root / folder).is_dir():
                    self._real.make_folder(folder)
                    self.disk.change(_Change(None, None, folder))

        self.do(make_folder, needs_room=not (self.disk.root / name).is_dir())

    def remove_folder(self, name: str) -> None:
        def remove_folder() -> None:
            self._real.remove_folder(name)
            self.disk.change(_Change(None, name, None))

        self.do(remove_folder)

    def sync_folder(self, name: str) -> None:
        self.do(lambda: self.disk.sync_folder(name))

    def sync_file(self, name: str) -> None:
        self.sync(self.disk.files[name])

    def open(self, name: str, past_cache: bool = False) -> Source:
        self.look()
        return _FaultySource(self, self._real.open(name, past_cache))

    def read(self, name: str, most: int) -> bytes:
        self.look()
        return self._real.read(name, most)

    def size(self, name: str) -> int | None:
        self.look()
        return self._real.size(name)

    def modified(self, name: str) -> float:
        self.look()
        return self._real.modified(name)

    def names(self, folder: str) -> list[str]:
        self.look()
        return self._real.names(folder)

    def free_bytes(self) -> int:
        self.look()
        return self._real.free_bytes()


class _FaultySink:
    def __init__(self, storage: FaultyStorage, real: Sink, file: _File) -> None:
        self._storage = storage
        self._real = real
        self._file = file
        self._end = 0

    def write(self, data: Bytes) -> None:
        half = bytes(data[: len(data) // 2])
        self._storage.do(lambda: self._write(bytes(data)), lambda: self._write(half), needs_room=True)

    def _write(self, data: bytes) -> None:
        self._real.write(data)
        self._file.unsynced.append((self._end, data))
        self._end += len(data)

    def rewrite(self, data: Bytes) -> None:
        self._storage.do(lambda: self._rewrite(bytes(data)), lambda: self._rewrite(bytes(data[: len(data) // 2])))

    def _rewrite(self, data: bytes) -> None:
        self._real.rewrite(data)
        self._file.unsynced.append((0, data))
        self._end = len(data)

    def sync(self) -> None:
        self._storage.sync(self._file)

    def close(self) -> None:
        self._real.close()


class _FaultySource:
    def __init__(self, storage: FaultyStorage, real: Source) -> None:
        self._storage = storage
        self._real = real

    def read_at(self, offset: int, length: int) -> bytes:
        self._storage.look()
        return self._real.read_at(offset, length)

    def close(self) -> None:
        self._real.close()

    def __enter__(self) -> _FaultySource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
