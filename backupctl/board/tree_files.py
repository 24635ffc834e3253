"""What a file of a tree holds: its bytes without its holes, and its extended attributes; by descriptor."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

from backupctl.board.tree_walk import Folder
from backupctl.formats.posix_acl import ACCESS, DEFAULT

_SMALLEST = 4096  # bytes that are read by themselves where a disk gives errors
# By whose name an attribute begins that another system has a use for; others are of a file system's own workings.
_KEPT = ("user.", "security.", "trusted.")
_LISTS = {os.fsdecode(name): name for name in (ACCESS, DEFAULT)}
_OPEN_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


def open_file(folder: Folder, name: bytes) -> int:
    """A descriptor of a regular file, or of what took its place. Reading leaves no trace where that is allowed.

    Raises OSError.
    """
    try:
        return os.open(name, _OPEN_FILE | os.O_NOATIME, dir_fd=folder.descriptor)
    except PermissionError:
        return os.open(name, _OPEN_FILE, dir_fd=folder.descriptor)  # somebody else's (open(2))


def pieces_of(descriptor: int, status: os.stat_result) -> list[tuple[int, int]] | None:
    """Offset and length of what a file holds between its holes; None if it has none (lseek(2), SEEK_DATA)."""
    if status.st_blocks * 512 >= status.st_size:
        return None
    found = []
    at = 0
    while at < status.st_size:
        try:
            start = os.lseek(descriptor, at, os.SEEK_DATA)
            end = min(os.lseek(descriptor, start, os.SEEK_HOLE), status.st_size)
        except OSError as error:
            if error.errno == errno.ENXIO:  # nothing but a hole from there on
                break
            if error.errno == errno.EINVAL:
                return None  # a file system that does not tell
            raise
        if start >= end:
            break
        found.append((start, end - start))
        at = end
    return None if found == [(0, status.st_size)] else found


def read_stretch(descriptor: int, offset: int, view: memoryview) -> tuple[int, list[tuple[int, int]]]:
    """Fills `view` from byte `offset` of a file: how much of it there was, and which bytes of `view` the disk lost.

    What is missing or lost is zeros. Raises OSError for what is no error of the disk.
    """
    done = 0
    lost: list[tuple[int, int]] = []
    while done < len(view):
        try:
            count = os.preadv(descriptor, [view[done:]], offset + done)
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            end = min(len(view), ((offset + done) // _SMALLEST + 1) * _SMALLEST - offset)
            done, more = _past_error(descriptor, offset, view, done, end)
            if more:
                lost.append(more)
            continue
        if count == 0:
            view[done:] = bytes(len(view) - done)
            break
        done += count
    return done, lost


def _past_error(
    descriptor: int, offset: int, view: memoryview, done: int, end: int
) -> tuple[int, tuple[int, int] | None]:
    try:
        count = os.preadv(descriptor, [view[done:end]], offset + done)
        return done + max(count, 1), None
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        view[done:end] = bytes(end - done)
        return end, (done, end)


def attributes_of(target: int | str) -> dict[bytes, bytes]:
    """By full name; `target`: a descriptor, or a path that is not followed. Raises OSError."""
    return dict(_attributes(target))


def _attributes(target: int | str) -> Iterator[tuple[bytes, bytes]]:
    follow = isinstance(target, int)
    try:
        names = os.listxattr(target, follow_symlinks=follow)
    except OSError as error:
        if error.errno == errno.EOPNOTSUPP:
            return
        raise
    for name in names:
        if not (name.startswith(_KEPT) or name in _LISTS):
            continue
        try:
            yield os.fsencode(name), os.getxattr(target, name, follow_symlinks=follow)
        except OSError as error:
            if error.errno not in (errno.ENODATA, errno.EOPNOTSUPP):  # gone meanwhile
                raise


def path_of(folder: Folder, name: bytes) -> str:
    """For calls that take no descriptor of a folder: the last name in it is not followed (proc_pid_fd(5))."""
    return f"/proc/self/fd/{folder.descriptor}/{os.fsdecode(name)}"
