"""The files of a system as it sees them itself: symbolic links followed, other volumes mounted in their places."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import PurePosixPath

from backupctl.domain.errors import NotFound
from backupctl.formats.file_tree import FileTree, Node
from backupctl.formats.mounted_trees import MountedTrees

_ERRORS = "surrogateescape"  # names need not be text
_NAMES_MOST = 20_000  # of one folder that is looked through


class SystemTree:
    """Paths are absolute, and ignore case where the volume does. `mounts`: other trees by mount point.

    Every method raises Malformed and OSError as FileTree does.
    """

    def __init__(self, tree: FileTree, mounts: Mapping[str, FileTree] | None = None) -> None:
        points = {str(PurePosixPath(path)).encode(errors=_ERRORS): other for path, other in (mounts or {}).items()}
        self._trees = MountedTrees(tree, points)

    def find(self, path: str) -> tuple[FileTree, Node] | None:
        """What stands at `path`, links followed; None if nothing does."""
        try:
            found = self._trees.find(path.encode(errors=_ERRORS))
        except NotFound:
            return None
        return found.tree, found.node

    def names(self, path: str) -> list[str]:
        """What a folder holds, in order; nothing if there is no such folder."""
        found = self.find(path)
        if found is None or found[1].kind != "folder":
            return []
        tree, folder = found
        return sorted(name.decode(errors="surrogateescape") for name, _ in islice(tree.names(folder), _NAMES_MOST))

    def read(self, path: str, most: int) -> bytes | None:
        """A file, but no more than `most` bytes of it; None if there is none."""
        found = self.find(path)
        if found is None or found[1].kind != "file":
            return None
        tree, node = found
        return tree.read(node, 0, min(node.size, most))

    def text(self, path: str) -> str | None:
        """A small text file, bytes that are no UTF-8 as surrogates."""
        data = self.read(path, 1 << 20)
        return None if data is None else data.decode(errors="surrogateescape")

    def files_below(self, path: str, depth: int) -> Iterator[tuple[str, Node]]:
        """Regular files in a folder, and in those below it down to `depth` more; each with its path.

        No folder is looked into twice: a damaged one may be in itself.
        """
        waiting, seen = [(path, depth)], set()
        while waiting:
            folder, left = waiting.pop()
            for name in self.names(folder):
                below = f"{folder.rstrip('/')}/{name}"
                found = self.find(below)
                if found is None:
                    continue
                tree, node = found
                if node.kind == "file":
                    yield below, node
                elif node.kind == "folder" and left and (id(tree), node.number) not in seen:
                    seen.add((id(tree), node.number))
                    waiting.append((below, left - 1))
