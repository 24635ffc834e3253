"""A walk through a tree of files, by descriptor: nothing that is moved or linked meanwhile leads out of it.

In the order of `domain.members.place_of`. What is found is as it was at that moment; who reads it looks again.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

from backupctl.domain.choosing import Choice, Verdict
from backupctl.domain.members import MemberKind

_KINDS: dict[int, MemberKind] = {
    stat.S_IFREG: "file",
    stat.S_IFDIR: "folder",
    stat.S_IFLNK: "link",
    stat.S_IFIFO: "fifo",
    stat.S_IFCHR: "character device",
    stat.S_IFBLK: "block device",
}
_OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_DEEPEST = 300  # folders in each other: each is open while what is in it is walked through


class Folder:
    """An open folder. It is closed when nobody refers to it any more: those who read its files outlive the walk."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def __del__(self) -> None:
        os.close(self.descriptor)


@dataclass(frozen=True, slots=True)
class Found:
    """What stands behind a name."""

    path: bytes  # below the root, which is b""
    kind: MemberKind
    status: os.stat_result
    within: Folder
    name: bytes  # in that folder
    is_database: bool = False  # of SQLite, with a log beside it whose contents belong to it


@dataclass
class Passed:
    """What the walk met and did not give: counts, and the first paths of each."""

    unreadable: list[tuple[bytes, OSError]]  # folders that could not be listed, and why
    beneath: list[bytes]  # folders that something else is mounted on, or that are snapshots
    sockets: int = 0
    left_out: int = 0
    too_deep: int = 0
    vanished: int = 0


class TreeWalk:
    """Iterated over once."""

    def __init__(
        self,
        root: bytes,
        starts: tuple[bytes, ...],
        choice: Choice,
        one_file_system: bool,
        tagged: Callable[[Folder], bool],
        databases: bool,
        is_apart: Callable[[bytes], bool],
        never: Collection[bytes] = (),
    ) -> None:
        """`starts`: folders below `root`, b"" for the root itself; each may be of a file system of its own, others are
        only entered if not `one_file_system`. `tagged`: whether the contents of a folder are left out. `is_apart`:
        whether a folder, by its whole path, is one of these others; asked of those that have another device number.
        `never`: whole paths of files that are left out, whatever `choice` says.
        """
        self._root = root
        self._starts = frozenset(starts)
        self._ancestors = {
            b"/".join(start.split(b"/")[:end]) for start in starts for end in range(start.count(b"/") + 1)
        }
        self._ancestors |= {b""} if starts != (b"",) else set()
        self._choice = choice
        self._one_file_system = one_file_system
        self._tagged = tagged
        self._databases = databases
        self._is_apart = is_apart
        self._never = never
        self.passed = Passed([], [])

    def __iter__(self) -> Iterator[Found]:
        """Raises OSError if the root cannot be opened."""
        folder = Folder(os.open(self._root, _OPEN_FOLDER & ~os.O_NOFOLLOW))
        status = os.fstat(folder.descriptor)
        yield Found(b"", "folder", status, folder, b".")
        yield from self._below(b"", folder, status.st_dev, b"" in self._starts, 0)

    def _leads_on(self, path: bytes) -> bool:
        """Whether a start lies in it."""
        return path in self._ancestors

    def _below(self, path: bytes, folder: Folder, device: int, taken: bool, depth: int) -> Iterator[Found]:
        """`taken`: it is in one of the starts, and not only on the way to one."""
        try:
            names = sorted(map(os.fsencode, os.listdir(folder.descriptor)))  # noqa: PTH208 - by descriptor
        except OSError as error:
            self.passed.unreadable.append((path, error))
            return
        logs = {name[:-4] for name in names if name.endswith(b"-wal")} if self._databases else set()
        for name in names:
            below = path + b"/" + name if path else name
            start = below in self._starts
            if not (taken or start or self._leads_on(below)):
                continue
            try:
                status = os.stat(name, dir_fd=folder.descriptor, follow_symlinks=False)
            except FileNotFoundError:
                self.passed.vanished += 1
                continue
            except OSError as error:
                self.passed.unreadable.append((below, error))
                continue
            kind = _KINDS.get(stat.S_IFMT(status.st_mode))
            if kind is None:
                self.passed.sockets += 1
                continue
            verdict = Verdict.TAKE if start or not taken else self._choice.of(below, kind == "folder")
            if verdict is Verdict.LEAVE and not (kind == "folder" and self._choice.may_hold_taken(below)):
                self.passed.left_out += 1
                continue
            if self._never and self._whole(below) in self._never:
                self.passed.left_out += 1
                continue
            if kind != "folder":
                if logs and name.endswith((b"-wal", b"-shm")) and name[:-4] in logs and name[:-4] in names:
                    self.passed.left_out += 1  # of a database that is copied with what is in them
                    continue
                yield Found(below, kind, status, folder, name, is_database=kind == "file" and name in logs)
                continue
            yield Found(below, kind, status, folder, name)
            is_other = status.st_dev != device and self._one_file_system and taken and not start
            if is_other and self._is_apart(self._whole(below)):
                self.passed.beneath.append(below)
                continue
            if verdict is Verdict.TAKE or self._choice.may_hold_taken(below) or self._leads_on(below):
                yield from self._enter(below, name, folder, status, taken or start, depth)
            else:
                self.passed.left_out += 1

    def _whole(self, path: bytes) -> bytes:
        return os.path.join(self._root, path)  # noqa: PTH118 - bytes

    def _enter(
        self, path: bytes, name: bytes, within: Folder, status: os.stat_result, taken: bool, depth: int
    ) -> Iterator[Found]:
        if depth == _DEEPEST:
            self.passed.too_deep += 1
            return
        try:
            folder = Folder(os.open(name, _OPEN_FOLDER, dir_fd=within.descriptor))
            opened = os.fstat(folder.descriptor)
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
                self.passed.vanished += 1
            else:
                self.passed.unreadable.append((path, error))
            return
        if (opened.st_dev, opened.st_ino) != (status.st_dev, status.st_ino):
            self.passed.vanished += 1  # another folder has its name by now
            return
        if taken and self._tagged(folder):
            self.passed.left_out += 1
            return
        yield from self._below(path, folder, status.st_dev, taken, depth + 1)


# Of the convention for cache folders, https://bford.info/cachedir/, from memory: the first bytes of CACHEDIR.TAG.
_SIGNATURE = b"Signature: 8a477f597d28d172789f06886806bc55"


def is_tagged(folder: Folder) -> bool:
    """Whether a folder says itself that it is a cache."""
    try:
        descriptor = os.open(b"CACHEDIR.TAG", os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder.descriptor)
    except OSError:
        return False
    try:
        return os.read(descriptor, len(_SIGNATURE)) == _SIGNATURE
    except OSError:
        return False
    finally:
        os.close(descriptor)


def never_tagged(_: Folder) -> bool:
    return False
