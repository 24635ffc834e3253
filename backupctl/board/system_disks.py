"""Which disks the running system lives on, whatever lies between: partitions, mappings, arrays, loops, overlays."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from backupctl.board import mounts
from backupctl.board.block_device import backing_file, device_name, devices_of, slaves, swap_names, whole_disk_of
from backupctl.formats import mountinfo
from backupctl.formats.mountinfo import Mount

# Without these and the root, and what is mounted below them, a system does not go on (hier(7)); firmware is often at
# /efi.
_BOOT_PLACES = ("/boot", "/efi")
_SYSTEM_PLACES = (*_BOOT_PLACES, "/usr", "/var")

_NO_DISK = frozenset({"tmpfs", "ramfs", "rootfs", "devtmpfs", "proc", "sysfs", "cgroup", "cgroup2", "autofs"})


@dataclass(frozen=True)
class SystemDisks:
    """What was found, in words for people."""

    why: dict[str, tuple[str, ...]]  # name of a whole disk -> what of the system lies on it
    untraced: tuple[str, ...]  # what lies on something that could not be followed to a disk


@dataclass
class Trace:
    """The way from one thing down to the disks under it."""

    table: tuple[Mount, ...] = field(repr=False)
    root: Path
    disks: set[str] = field(default_factory=set)  # names of whole disks, mappings and loop devices among them
    lowest: set[str] = field(default_factory=set)  # those of them that are made of nothing else
    mounts: list[Mount] = field(default_factory=list)  # met on the way, from the top down
    problems: list[str] = field(default_factory=list)  # where the way was lost
    _seen: set[str | int] = field(default_factory=set)  # names and mount ids: nothing is followed twice

    def follow_mount(self, mount: Mount) -> None:
        """Adds what a mounted file system lies on; nothing for one of a network or in memory."""
        if mount.id in self._seen:
            return
        self._seen.add(mount.id)
        self.mounts.append(mount)
        if mount.fstype == "overlay":
            for layer in _layers(mount):
                below = mountinfo.mount_of(layer, self.table)
                # The path of a layer from before a change of the root directory leads nowhere, or back here.
                if below is None or below.id == mount.id:
                    self.problems.append(f"the overlay's layer {layer} is not visible from here")
                else:
                    self.follow_mount(below)
            return
        devices = devices_of(mount, self.root)
        for name in devices:
            self.follow_device(name)
        if not devices and mount.fstype not in _NO_DISK and not mounts.is_network(mount):
            self.problems.append(f"{mount.fstype} on {mount.source or 'nothing'} is not on a disk known here")

    def follow_device(self, name: str) -> None:
        """Adds the whole disk of a device, and all that it is made of."""
        if name in self._seen:
            return
        self._seen.add(name)
        disk = whole_disk_of(name, self.root)
        self.disks.add(disk)
        below = slaves(disk, self.root)
        for each in below:
            self.follow_device(each)
        backing = backing_file(disk, self.root)
        if not below and not backing:
            self.lowest.add(disk)
        if backing:
            self.follow_file(backing.removesuffix(" (deleted)"))

    def follow_file(self, path: str) -> None:
        """Adds what the file system at an absolute path without symbolic links lies on."""
        mount = mountinfo.mount_of(path, self.table)
        if mount is None:
            self.problems.append(f"no mount is listed for {path}")
        else:
            self.follow_mount(mount)


def system_disks(root: Path = Path("/")) -> SystemDisks:
    """The whole disks under /, /boot, /efi, /usr, /var, swap, and what the kernel was told to start from."""
    table = mounts.read_mounts(root)
    why: dict[str, list[str]] = {}
    untraced: list[str] = []

    def note(reason: str, trace: Trace) -> None:
        for name in trace.disks:
            why.setdefault(name, []).append(f"{reason} is on it")
        untraced.extend(f"{reason}: {problem}" for problem in trace.problems)

    for mount in table:
        if _is_system_place(mount.mount_point):
            trace = Trace(table, root)
            trace.follow_mount(mount)
            note(mount.mount_point, trace)
    for swap in swap_names(root):
        trace = Trace(table, root)
        if swap.startswith("/"):
            trace.follow_file(swap)
        else:
            trace.follow_device(swap)
        note(f"swap ({swap})", trace)
    for device in _root_arguments(root):
        trace = Trace(table, root)
        trace.follow_device(device)
        note("the root that the kernel was started with", trace)
    return SystemDisks({name: tuple(dict.fromkeys(reasons)) for name, reasons in sorted(why.items())}, tuple(untraced))


def own_disks(root: Path = Path("/")) -> set[str]:
    """The disks that the root directory lies on in the end, beneath mappings, arrays, loops and overlays.

    Where the way from it is lost (an overlay that was made before the root was changed): those of what the kernel was
    told to start from, or else those of /boot, /efi and what is below them. Empty if nothing tells.
    """
    table = mounts.read_mounts(root)
    top, started, boot = (Trace(table, root) for _ in range(3))
    for mount in table:
        if mount.mount_point == "/":
            top.follow_mount(mount)
        elif _is_below(mount.mount_point, _BOOT_PLACES):
            boot.follow_mount(mount)
    for device in _root_arguments(root):
        started.follow_device(device)
    return top.lowest or started.lowest or boot.lowest


def disks_under(path: str | Path) -> Trace:
    """The disks on which the file or folder at `path` lies; none for a file system of a network or in memory.

    Raises NotFound if there is nothing at `path`, OSError if it cannot be reached.
    """
    trace = Trace(mounts.read_mounts(), Path("/"))
    trace.follow_mount(mounts.mount_of(path))
    return trace


def _is_system_place(mount_point: str) -> bool:
    return mount_point == "/" or _is_below(mount_point, _SYSTEM_PLACES)


def _is_below(mount_point: str, places: tuple[str, ...]) -> bool:
    return any(mount_point == place or mount_point.startswith(f"{place}/") for place in places)


def _layers(mount: Mount) -> Iterator[str]:
    # Documentation/filesystems/overlayfs.rst: layers are separated by ":", and "\" takes a ":" its meaning; newer
    # kernels show each layer as "lowerdir+", and layers for data as "datadir+".
    for option in mount.super_options:
        key, _, value = option.partition("=")
        if key in ("lowerdir", "lowerdir+", "datadir+", "upperdir"):
            parts = re.split(r"(?<!\\):", value) if key == "lowerdir" else [value]
            yield from (re.sub(r"\\(.)", r"\1", part) for part in parts if part)


def _root_arguments(root: Path) -> Iterator[str]:
    # "root=" in bootparam(7). A system whose root is an overlay over its card often shows the card nowhere else.
    try:
        arguments = (root / "proc/cmdline").read_text(errors="replace").split()
    except OSError:
        return
    for argument in arguments:
        key, _, value = argument.replace('"', "").partition("=")
        if key == "root":
            tag, equals, ident = value.partition("=")
            if tag == "PARTUUID":
                ident = ident.lower()  # as udev writes it; the kernel takes either case
            name = device_name(f"/dev/disk/by-{tag.lower()}/{ident}" if equals else value, root)
            if name:
                yield name
