"""Swap on a card: partitions and files whose contents are worth nothing after a restart.

Swapping goes on while file systems are frozen, past them, and a swap file may become another file between two looks:
ask again while frozen.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from backupctl.board.block_device import BlockDevice, swap_names
from backupctl.board.file_extents import file_extents
from backupctl.board.mounted import MountedFileSystem
from backupctl.domain.ranges import Ranges

# Those whose extents are places on the one device that they are mounted from.
_PLAIN = frozenset({"ext2", "ext3", "ext4", "xfs"})


@dataclass(frozen=True)
class SwapSpace:
    """One line of /proc/swaps that lies on the disk; bytes of the whole disk."""

    name: str  # of a partition or disk, as in /sys/class/block, or the path of a file
    inode: int  # of a file; 0 for a device
    header: Ranges | None  # the first page; None where it cannot be told where the space lies, so it is data as a whole
    body: Ranges | None


def swaps_on(disk: BlockDevice, file_systems: Sequence[MountedFileSystem]) -> tuple[SwapSpace, ...]:
    """The swap spaces in use now, in the order of /proc/swaps; `file_systems` are those of the disk.

    Raises OSError if a swap file cannot be looked at.
    """
    starts = {disk.name: 0, **{partition.name: partition.start for partition in disk.partitions}}
    sizes = {disk.name: disk.size, **{partition.name: partition.size for partition in disk.partitions}}
    numbered = {file_system.number: file_system for file_system in file_systems}
    found = []
    for name in swap_names():
        if name in starts:
            found.append(_space(name, 0, [(starts[name], starts[name] + sizes[name])]))
        elif name.startswith("/"):
            try:
                fd = os.open(name, os.O_RDONLY | os.O_CLOEXEC)
            except FileNotFoundError:
                found.append(SwapSpace(name, 0, None, None))  # deleted while in use; nothing tells where it lies
                continue
            try:
                status = os.fstat(fd)
                file_system = numbered.get((os.major(status.st_dev), os.minor(status.st_dev)))
                if file_system is not None:
                    found.append(_space(name, status.st_ino, _places(fd, file_system, starts)))
            finally:
                os.close(fd)
    return tuple(found)


def _places(fd: int, file_system: MountedFileSystem, starts: dict[str, int]) -> list[tuple[int, int]] | None:
    device = file_system.devices[0]
    if file_system.fstype not in _PLAIN or device not in starts:
        return None
    extents = file_extents(fd)
    if any(extent.unknown for extent in extents):
        return None
    return [(at, at + extent.length) for extent in extents for at in (starts[device] + extent.physical,)]


def _space(name: str, inode: int, places: list[tuple[int, int]] | None) -> SwapSpace:
    """`places` in the order of the space."""
    if not places:
        return SwapSpace(name, inode, None, None)
    start, end = places[0]
    page = min(os.sysconf("SC_PAGE_SIZE"), end - start)
    return SwapSpace(name, inode, Ranges([(start, start + page)]), Ranges([(start + page, end), *places[1:]]))
