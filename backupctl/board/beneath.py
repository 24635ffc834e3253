"""What lies in the folder that something is mounted on, hidden by the mount."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Sequence

from backupctl.formats.fstab import same_place
from backupctl.formats.mountinfo import Mount, mount_of

# linux/mount.h, asm-generic/unistd.h. glibc has a wrapper since 2.36 only. The number is the same for all processors
# but Alpha.
_OPEN_TREE = 428
_OPEN_TREE_CLONE = 1
_AT_FDCWD = -100


def hidden_names(mount_point: str, mounts: Sequence[Mount]) -> list[str]:
    """Names in the folder beneath what is mounted at `mount_point`, sorted.

    Needs root and Linux 5.2. Raises OSError. Blocks if the file system beneath does.
    """
    beneath = [mount for mount in mounts if not same_place(mount.mount_point, mount_point)]
    ground = mount_of(mount_point, beneath)
    if ground is None:
        return []
    # A copy of the one mount, in nobody's view, without those that stand on it.
    tree = _open_tree(ground.mount_point)
    try:
        relative = os.path.relpath(mount_point, ground.mount_point)
        return names_in(os.open(relative, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=tree))
    finally:
        os.close(tree)


def names_in(folder: int) -> list[str]:
    """What an open folder holds, sorted; closes it. Raises OSError."""
    try:
        with os.scandir(folder) as found:
            return sorted(entry.name for entry in found)
    finally:
        os.close(folder)


def _open_tree(path: str) -> int:
    libc = ctypes.CDLL(None, use_errno=True)
    found = libc.syscall(
        ctypes.c_long(_OPEN_TREE),
        ctypes.c_int(_AT_FDCWD),
        os.fsencode(path),
        ctypes.c_uint(_OPEN_TREE_CLONE | os.O_CLOEXEC),
    )
    if found < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), path)
    return int(found)
