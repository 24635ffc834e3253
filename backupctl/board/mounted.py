"""Every mounted file system that lies on a disk, however deep: on partitions, mappings, arrays, and files behind loops.

What is mounted in another namespace (a container, a service with a view of its own) belongs to it as well: the freeze
of a file system is of no use if a second one on the same card goes on writing.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from backupctl.board.block_device import BlockDevice, device_path, devices_of, name_of_number, swap_names
from backupctl.board.system_disks import Trace
from backupctl.domain.errors import Malformed, Refused
from backupctl.formats.mountinfo import Mount, parse_mountinfo

# Those with a freeze of their own (`freeze_fs` in the kernel's fs/*/super.c, from memory); tests hold ext4, xfs, btrfs.
_FREEZABLE = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "jfs", "nilfs2", "reiserfs"})

_LOOP_GET_STATUS64 = 0x4C05  # linux/loop.h
_LOOP_INFO_BYTES = 232


class Treatment(Enum):
    """What makes a file system hold still."""

    FREEZE = "freeze"
    SYNC = "sync"  # it cannot be frozen (FAT): written out, and watched
    NOTHING = "nothing"  # it is read-only


@dataclass(frozen=True)
class Place:
    """One mount of a file system."""

    viewer: str  # whose view of the mounts it is in: "self", or the number of a process
    mount: Mount

    @property
    def path(self) -> str:
        """Where this process can open it."""
        return self.mount.mount_point if self.viewer == "self" else f"/proc/{self.viewer}/root{self.mount.mount_point}"


@dataclass(frozen=True)
class MountedFileSystem:
    """A file system that lies on the disk in question, entirely or with a part of it."""

    fstype: str
    major: int  # of the file system, as mountinfo shows it: anonymous for btrfs
    minor: int
    devices: tuple[str, ...]  # what it was mounted from: "mmcblk0p2", "dm-0", "loop3"
    read_only: bool  # the file system, not one mount of it
    places: tuple[Place, ...]  # never empty; those of this process's own view first
    beneath: frozenset[tuple[int, int]]  # numbers of the mounted file systems that this one lies on

    @property
    def number(self) -> tuple[int, int]:
        return self.major, self.minor

    @property
    def mount_point(self) -> str:
        return self.places[0].mount.mount_point

    @property
    def treatment(self) -> Treatment:
        # A read-only one is frozen as well: it cannot be mounted for writing then.
        if self.fstype in _FREEZABLE:
            return Treatment.FREEZE
        return Treatment.NOTHING if self.read_only else Treatment.SYNC


def file_systems_on(disk: BlockDevice) -> tuple[MountedFileSystem, ...]:
    """In the order in which they have to be frozen: each before those that it lies on.

    Raises Malformed for a mount table that cannot be read, OSError without /proc.
    """
    views = dict(_views())
    places: dict[tuple[int, int], list[Place]] = {}
    for viewer, table in views.items():
        for mount in table:
            places.setdefault((mount.major, mount.minor), []).append(Place(viewer, mount))
    found = []
    for number, seen in places.items():
        mount = seen[0].mount
        devices = devices_of(mount)
        if not devices:
            continue
        trace = Trace(views[seen[0].viewer], Path("/"))
        trace.follow_mount(mount)
        _follow_loops(trace, places)
        if disk.name in trace.disks:
            beneath = frozenset((below.major, below.minor) for below in trace.mounts) - {number}
            read_only = "ro" in mount.super_options
            found.append(MountedFileSystem(mount.fstype, *number, tuple(devices), read_only, tuple(seen), beneath))
    # What lies beneath one lies beneath all that stands on it, and more does.
    return tuple(sorted(found, key=lambda file_system: -len(file_system.beneath)))


def _follow_loops(trace: Trace, places: dict[tuple[int, int], list[Place]]) -> None:
    """Follows loop devices by the number of what they stand on: the path of a file of another namespace misleads."""
    followed: set[str] = set()
    while loops := {name for name in trace.disks if name.startswith("loop")} - followed:
        for name in loops:
            followed.add(name)
            file_on, itself = _loop_ground(name)
            if itself != (0, 0):  # a block device, not a file
                trace.follow_device(name_of_number(*itself))
            elif file_on in places:  # not so for btrfs, which shows files a number that no mount has
                trace.follow_mount(places[file_on][0].mount)


def _loop_ground(name: str) -> tuple[tuple[int, int], tuple[int, int]]:
    """Numbers of the file system that the file behind a loop device is on, and of that file if it is a device."""
    status = bytearray(_LOOP_INFO_BYTES)
    try:
        fd = os.open(device_path(name), os.O_RDONLY | os.O_CLOEXEC)
        try:
            fcntl.ioctl(fd, _LOOP_GET_STATUS64, status)
        finally:
            os.close(fd)
    except OSError:
        return (0, 0), (0, 0)  # detached this instant
    file_on, _, itself = struct.unpack_from("=QQQ", status)
    return (os.major(file_on), os.minor(file_on)), (os.major(itself), os.minor(itself))


def _views() -> Iterator[tuple[str, tuple[Mount, ...]]]:
    """The mount table of this process, and one of each other namespace and root directory that a process has."""
    seen = set()
    processes = (entry.name for entry in os.scandir("/proc") if entry.name.isdigit())
    for viewer in ("self", *processes):
        try:
            # Of hundreds of processes: a Path costs ten times what is asked.
            view = os.readlink(f"/proc/{viewer}/ns/mnt"), os.readlink(f"/proc/{viewer}/root")  # noqa: PTH115
            if view in seen:
                continue
            table = _table(viewer)
        except (OSError, Malformed):
            if viewer == "self":
                raise
            continue  # it has ended
        seen.add(view)
        yield viewer, table


def _table(viewer: str) -> tuple[Mount, ...]:
    return parse_mountinfo(os.fsdecode(Path(f"/proc/{viewer}/mountinfo").read_bytes()))


def is_still_mounted(place: Place) -> bool:
    """Whether a mount of that number is there, and of the same device. Raises OSError, Malformed."""

    def what(mount: Mount) -> tuple[object, ...]:
        return mount.id, mount.major, mount.minor, mount.fstype, mount.source

    return any(what(mount) == what(place.mount) for mount in _table(place.viewer))


def refuse_unfreezable(disk: BlockDevice, file_systems: tuple[MountedFileSystem, ...]) -> None:
    """Raises Refused for a layout that would hang when it is frozen, or that is not seen as a whole."""
    freezable = {each.number for each in file_systems if each.treatment is Treatment.FREEZE}
    for each in file_systems:
        if each.treatment is not Treatment.SYNC:
            continue
        if each.fstype.startswith("fuse"):
            raise Refused(
                f"{each.mount_point} ({each.fstype}) is written by a program, which would hang while it is frozen",
                "Unmount it, or mount it read-only, for the time of the capture.",
            )
        if each.beneath & freezable:
            raise Refused(
                f"{each.mount_point} ({each.fstype}) cannot be frozen, and lies in a file on what would be frozen",
                "Unmount it, or mount it read-only, for the time of the capture.",
            )
    known = {name for each in file_systems for name in each.devices} | set(swap_names())

    def is_accounted_for(name: str) -> bool:
        return name in known or _holders(name) or _is_read_only(name)

    names = [partition.name for partition in disk.partitions]
    if not any(map(is_accounted_for, names)):
        names.append(disk.name)  # not otherwise: a partition in use keeps the whole disk from being opened so
    for name in names:
        if not is_accounted_for(name) and _in_use(name):
            raise Refused(
                f"{device_path(name)} is in use by something that is not visible from here",
                "A mount that was detached while in use (umount --lazy) is the usual reason; end what uses it.",
            )


def _holders(name: str) -> bool:
    return any(Path(f"/sys/class/block/{name}/holders").glob("*"))


def _is_read_only(name: str) -> bool:
    """Whether an ext4 is mounted from it, and read-only: the card beneath an overlay that is older than the root.

    Told by the first line of its options (Documentation/filesystems/proc.rst: /proc/fs/ext4; its words from memory of
    fs/ext4/super.c). Whoever makes it writable has to mount it again, where it is seen.
    """
    try:
        return Path(f"/proc/fs/ext4/{name}/options").read_text().split("\n", 1)[0] == "ro"
    except OSError:
        return False


def _in_use(name: str) -> bool:
    try:
        os.close(os.open(device_path(name), os.O_RDONLY | os.O_EXCL | os.O_CLOEXEC))
    except OSError as error:
        return error.errno == errno.EBUSY
    return False
