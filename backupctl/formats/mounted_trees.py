"""Paths within the file systems of one card: links are followed in there, and only there.


Source: path_resolution(7), and symlink(7) for how many links are followed.
"""

from __future__ import annotations

import fnmatch
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from backupctl.domain.errors import NotFound
from backupctl.formats.file_tree import FileTree, Node

_LINKS_MOST = 40  # MAXSYMLINKS in the kernel's include/linux/namei.h
_NAMES_MOST = 4096
_WILD = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class Found:
    """A node, its file system, and the folders that lead there."""

    tree: FileTree
    node: Node
    name: bytes  # b"" for the root
    parents: tuple[Found, ...]  # the root first

    @property
    def path(self) -> bytes:
        """From the root, without links: b"/boot/config"."""
        return b"/" + b"/".join(found.name for found in (*self.parents[1:], self) if found.name)


class MountedTrees:
    """A root file system, and others that stand on folders of it."""

    def __init__(self, root: FileTree, mounts: Mapping[bytes, FileTree]) -> None:
        """`mounts`: by the path of the folder, b"/boot/firmware", without links."""
        self._root = root
        self._mounts = mounts

    @property
    def root(self) -> Found:
        return Found(self._root, self._root.root, b"", ())

    def find(self, path: bytes, follow: bool = True) -> Found:
        """What `path` leads to, from the root. `follow`: also a link that the last name is. Raises NotFound, Malformed.

        A relative path is taken from the root as well; ".." never leads out of it.
        """
        return self._walk(self.root, path, follow, [0])

    def find_from(self, folder: Found, path: bytes, follow: bool = True) -> Found:
        """The same for a path that is relative to `folder`, as the target of a link in it."""
        return self._walk(folder, path, follow, [0])

    def _walk(self, start: Found, path: bytes, follow: bool, links: list[int]) -> Found:
        at = self.root if path.startswith(b"/") else start
        waiting = _names_of(path)[::-1]
        must_be_folder = path.endswith(b"/")
        while waiting:
            name = waiting.pop()
            if name == b"..":
                at = at.parents[-1] if at.parents else at
                continue
            if at.node.kind != "folder":
                raise NotFound(f"{_text(at.path)} is a {at.node.kind}, no folder")
            below = self.child(at, name)
            if below is None:
                raise NotFound(f"there is no {_text(name)} in {_text(at.path)}")
            if below.node.kind == "link" and (waiting or follow or must_be_folder):
                links[0] += 1
                target = below.tree.target(below.node)
                if links[0] > _LINKS_MOST or len(waiting) > _NAMES_MOST:
                    raise NotFound(f"{_text(below.path)} is a link that leads in a circle")
                if target.startswith(b"/"):
                    at = self.root
                waiting += _names_of(target)[::-1]
                continue
            at = below
        if must_be_folder and at.node.kind != "folder":
            raise NotFound(f"{_text(at.path)} is a {at.node.kind}, no folder")
        return at

    def child(self, folder: Found, name: bytes) -> Found | None:
        """What has that name in the folder; on a folder that something is mounted on, that."""
        node = folder.tree.find(folder.node, name)
        return self._entered(folder, name, node) if node else None

    def names(self, folder: Found) -> Iterator[tuple[bytes, int]]:
        """As `FileTree.names`."""
        return folder.tree.names(folder.node)

    def entered(self, folder: Found, name: bytes, number: int) -> Found:
        """What `names` gave."""
        return self._entered(folder, name, folder.tree.node(number))

    def _entered(self, folder: Found, name: bytes, node: Node) -> Found:
        found = Found(folder.tree, node, name, (*folder.parents, folder))
        mounted = self._mounts.get(found.path) if node.kind == "folder" and self._mounts else None
        return Found(mounted, mounted.root, name, found.parents) if mounted else found

    def matching(self, pattern: bytes) -> Iterator[Found]:
        """What a pattern of a shell stands for: `*`, `?` and `[...]` within a name, `**` for folders of any depth.

        As in a shell, a name that begins with a dot is only found by a pattern that does. Links are followed on the
        way, but not at its end.
        """
        yield from self._matching(self.root, [os.fsdecode(name) for name in _names_of(pattern)])

    def _matching(self, folder: Found, names: list[str]) -> Iterator[Found]:
        name, *rest = names
        if name == "**":
            if rest:
                yield from self._matching(folder, rest)
            for below in self._below(folder, "*"):
                if not rest:
                    yield below
                if below.node.kind == "folder" and len(below.parents) < _NAMES_MOST // 16:
                    yield from self._matching(below, names)
            return
        for below in self._below(folder, name):
            if not rest:
                yield below
                continue
            if below.node.kind == "link":
                try:
                    below = self.find_from(folder, below.name)
                except NotFound:
                    continue
            if below.node.kind == "folder":
                yield from self._matching(below, rest)

    def _below(self, folder: Found, pattern: str) -> Iterator[Found]:
        if not _WILD & set(pattern):
            found = self.child(folder, os.fsencode(pattern))
            if found:
                yield found
            return
        for name, number in folder.tree.names(folder.node):
            text = os.fsdecode(name)
            if fnmatch.fnmatchcase(text, pattern) and (pattern.startswith(".") or not text.startswith(".")):
                yield self.entered(folder, name, number)


def is_pattern(path: bytes) -> bool:
    return bool(_WILD & set(os.fsdecode(path)))


def _names_of(path: bytes) -> list[bytes]:
    names = [name for name in path.split(b"/") if name not in (b"", b".")]
    if len(names) > _NAMES_MOST:
        raise NotFound("a path of thousands of folders")
    return names


def _text(path: bytes) -> str:
    return os.fsdecode(path)
