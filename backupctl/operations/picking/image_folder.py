"""What a capture looks like as a folder: the card, its partitions, and the files on them."""

from __future__ import annotations

import errno
import os
import posixpath
import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping
from typing import BinaryIO, TypeVar

from backupctl.formats.file_tree import FileTree, Node
from backupctl.formats.reader import ReadAt, check_bounds

Value = TypeVar("Value")

_BLOCK = 4096
_KEPT_NODES, _KEPT_FOLDERS = 20_000, 200


class Overlay:
    """ReadAt over another one, which can be written to: what is written goes to a scratch file of its own."""

    def __init__(self, inner: ReadAt, scratch: BinaryIO) -> None:
        """`scratch`: empty, open for reading and writing; it becomes a sparse file of the size of `inner`."""
        self._inner = inner
        self._scratch = scratch
        self._written: set[int] = set()  # blocks that the scratch file has
        self._lock = threading.Lock()

    @property
    def size(self) -> int:
        return self._inner.size

    @property
    def written_bytes(self) -> int:
        return len(self._written) * _BLOCK

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        blocks = range(offset // _BLOCK, -(-(offset + length) // _BLOCK))
        with self._lock:
            own = [block for block in blocks if block in self._written]
            if len(own) == len(blocks):
                return self._from_scratch(offset, length)
            found = bytearray(self._inner.read_at(offset, length))
            for block in own:
                low, high = max(block * _BLOCK, offset), min((block + 1) * _BLOCK, offset + length)
                found[low - offset : high - offset] = self._from_scratch(low, high - low)
        return bytes(found)

    def _from_scratch(self, offset: int, length: int) -> bytes:
        self._scratch.seek(offset)
        return self._scratch.read(length)

    def write_at(self, offset: int, data: bytes) -> None:
        """Raises Malformed beyond the end, OSError of either side."""
        check_bounds(offset, len(data), self.size)
        with self._lock:
            for block in range(offset // _BLOCK, -(-(offset + len(data)) // _BLOCK)):
                start, end = block * _BLOCK, min((block + 1) * _BLOCK, self.size)
                if block not in self._written and (start < offset or end > offset + len(data)):
                    self._scratch.seek(start)
                    self._scratch.write(self._inner.read_at(start, end - start))
                self._written.add(block)
            self._scratch.seek(offset)
            self._scratch.write(data)
            self._scratch.flush()


class ImageFolder:
    """`board.fuse_mount.FolderContent`: `files` by name, and `trees`, folders with the files of a file system.

    `points`: empty folders, for something to be mounted on.
    """

    def __init__(
        self, files: Mapping[str, ReadAt], trees: Mapping[str, FileTree], points: Iterable[str], modified_ns: int
    ) -> None:
        self._files = files
        self._trees = trees
        self._points = frozenset(points)
        self._modified_ns = modified_ns
        self._nodes: OrderedDict[str, Node] = OrderedDict()
        self._folders: OrderedDict[str, dict[str, int]] = OrderedDict()

    def _own(self, folder: bool, size: int = 0, writable: bool = False) -> Node:
        mode = 0o700 if folder else 0o600 if writable else 0o400
        user, group = os.geteuid(), os.getegid()
        return Node(0, "folder" if folder else "file", mode, user, group, size, self._modified_ns, 2 if folder else 1)

    def node(self, path: str) -> Node:
        name, _, rest = path.lstrip("/").partition("/")
        if not name or name in self._points:
            if rest:
                raise _missing(path)
            return self._own(folder=True)
        if name in self._files and not rest:
            return self._own(folder=False, size=self._files[name].size, writable=hasattr(self._files[name], "write_at"))
        return self._node_in(self._tree(path), path)

    def _tree(self, path: str) -> FileTree:
        tree = self._trees.get(path.lstrip("/").partition("/")[0])
        if tree is None:
            raise _missing(path)
        return tree

    def _node_in(self, tree: FileTree, path: str) -> Node:
        if path.count("/") == 1:
            return tree.root
        found = self._nodes.get(path)
        if found is None:
            number = self._numbers(tree, posixpath.dirname(path)).get(posixpath.basename(path))
            if number is None:
                raise _missing(path)
            found = _kept(self._nodes, path, tree.node(number), _KEPT_NODES)
        return found

    def _numbers(self, tree: FileTree, path: str) -> dict[str, int]:
        found = self._folders.get(path)
        if found is None:
            folder = self._node_in(tree, path)
            if folder.kind != "folder":
                raise _missing(path)
            numbers = {os.fsdecode(name): number for name, number in tree.names(folder)}
            found = _kept(self._folders, path, numbers, _KEPT_FOLDERS)
        return found

    def names(self, path: str) -> Iterator[str]:
        if path == "/":
            yield from (*self._files, *self._trees, *self._points)
        elif path.lstrip("/") not in self._points:
            yield from self._numbers(self._tree(path), path)

    def read(self, path: str, offset: int, length: int) -> bytes:
        file = self._files.get(path.lstrip("/"))
        if file is not None:
            return file.read_at(offset, max(0, min(length, file.size - offset)))
        tree = self._tree(path)
        return tree.read(self._node_in(tree, path), offset, length)

    def write(self, path: str, offset: int, data: bytes) -> None:
        file = self._files.get(path.lstrip("/"))
        if not isinstance(file, Overlay):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        if offset + len(data) > file.size:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        file.write_at(offset, data)

    def target(self, path: str) -> str:
        tree = self._tree(path)
        return os.fsdecode(tree.target(self._node_in(tree, path)))

    def attributes(self, path: str) -> Mapping[bytes, bytes]:
        if path.count("/") == 1:
            return {}
        tree = self._tree(path)
        return tree.attributes(self._node_in(tree, path))


def _kept(kept: OrderedDict[str, Value], path: str, value: Value, most: int) -> Value:
    kept[path] = value
    while len(kept) > most:
        try:
            kept.popitem(last=False)
        except KeyError:  # another thread was there first
            break
    return value


def _missing(path: str) -> FileNotFoundError:
    return FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
