"""Whether the kernels of a captured system know a kind of file system, by the lists that are installed with them.

`modules.builtin` names what is built into a kernel, `modules.dep` what it can load (the kernel's documentation,
kbuild/kbuild.rst; depmod(8)). A board may start another kernel than those, which nothing here can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

from backupctl.domain.errors import Refused
from backupctl.formats.file_tree import FileTree
from backupctl.operations.proving.system_tree import SystemTree

_FOLDER = "/lib/modules"
_VERSIONS_MOST = 50
_LIST_MOST = 8 << 20  # bytes


@dataclass(frozen=True)
class KernelLists:
    """Versions of kernels: those that have a file system built in, those that can load it, and those that lack it."""

    built_in: tuple[str, ...]
    loadable: tuple[str, ...]
    lacking: tuple[str, ...]


def kernels_for(tree: FileTree, kind: str) -> KernelLists:
    """`tree`: the root's. Raises Malformed, OSError."""
    system = SystemTree(tree)
    found: tuple[list[str], list[str], list[str]] = ([], [], [])
    for version in system.names(_FOLDER)[:_VERSIONS_MOST]:
        lists = [system.read(f"{_FOLDER}/{version}/{name}", _LIST_MOST) for name in ("modules.builtin", "modules.dep")]
        if lists == [None, None]:
            continue
        built_in, loadable = (_names(text or b"") for text in lists)
        found[0 if kind.encode() in built_in else 1 if kind.encode() in loadable else 2].append(version)
    return KernelLists(*map(tuple, found))


def _names(text: bytes) -> set[bytes]:
    """Of modules: each line begins with a path, `kernel/fs/f2fs/f2fs.ko.xz:`."""
    return {line.split(b":")[0].rpartition(b"/")[2].partition(b".ko")[0] for line in text.splitlines()}


def doubts(tree: FileTree, kind: str) -> list[str]:
    """What is to be said of a root of that kind, in words. Raises Refused if no kernel knows it; Malformed, OSError."""
    kernels = kernels_for(tree, kind)
    if not (kernels.built_in or kernels.loadable):
        if kernels.lacking:
            raise Refused(
                f"the board's kernel ({', '.join(kernels.lacking)}) does not know {kind}: it would not start",
                "Nothing was written. Choose another --file-system, or leave it out.",
            )
        return [f"the kernel that the board starts has to know {kind}: the capture has no list of what it knows"]
    told = []
    if kernels.loadable:
        told.append(
            f"{', '.join(kernels.loadable)} loads {kind} as a module: the board starts only if the initial file system "
            "of that kernel holds it (Debian's does once the programs for it are installed on the board)"
        )
    if kernels.lacking:
        told.append(f"{', '.join(kernels.lacking)} does not know {kind}: start another kernel")
    return told
