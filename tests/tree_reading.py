"""A whole file system as our readers give it, in the form in which `tests.real_tree` describes what is on disk."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator

from backupctl.formats.file_tree import FileTree, Node

_CHUNK = 1 << 20


def walk(tree: FileTree) -> Iterator[tuple[str, Node]]:
    """Every path below the root, and its node."""
    waiting = [("", tree.root)]
    while waiting:
        path, folder = waiting.pop()
        for name, node in tree.children(folder):
            below = f"{path}/{os.fsdecode(name)}".lstrip("/")
            yield below, node
            if node.kind == "folder":
                waiting.append((below, node))


def content(tree: FileTree, node: Node) -> str:
    if node.kind == "file":
        digest = hashlib.sha256()
        for offset in range(0, node.size, _CHUNK):
            digest.update(tree.read(node, offset, _CHUNK))
        return digest.hexdigest()
    if node.kind == "link":
        return os.fsdecode(tree.target(node))
    return ":".join(map(str, node.device)) if node.device else ""


def describe(tree: FileTree, node: Node) -> tuple[str, int, int, int, int, str]:
    return node.kind, node.mode, node.user, node.group, node.modified_ns, content(tree, node)
