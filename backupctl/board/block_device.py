"""Whole disks, as the kernel describes them in /sys (Documentation/ABI/stable/sysfs-block of the kernel).

Every function takes the root directory under which sys, proc and dev are found.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

from backupctl.board.mounts import read_mounts
from backupctl.domain.errors import NotFound
from backupctl.formats.mountinfo import Mount, unescape

# "size" and "start" in /sys are in units of 512 bytes whatever the device's sectors are (sysfs-block).
_SYSFS_UNIT = 512

_RAM_DISK_MAJOR = 1  # Documentation/admin-guide/devices.txt of the kernel


@dataclass(frozen=True)
class DevicePartition:
    """A partition as the kernel has it now; bytes."""

    name: str  # "mmcblk0p2"
    number: int
    major: int
    minor: int
    start: int
    size: int

    @property
    def path(self) -> str:
        return device_path(self.name)


@dataclass(frozen=True)
class BlockDevice:
    """A whole disk, and who uses it or a part of it. Text that the kernel does not give is empty."""

    name: str  # "mmcblk0", as in /sys/class/block
    kind: str  # "disk", "loop", "dm", "md", "zram", "rom"
    major: int
    minor: int
    sequence: int  # the kernel's number for this medium in this drive, never used twice; 0 before Linux 5.15
    size: int  # bytes
    sector_size: int  # bytes, logical
    removable: bool
    read_only: bool
    vendor: str
    model: str
    serial: str
    card_type: str  # "SD" or "MMC"
    cid: str  # the card identification register of an SD card or eMMC, 32 hex digits
    transport: str  # "mmc", "usb", "nvme", "ata", "virtio"
    backing_file: str  # of a loop device
    partitions: tuple[DevicePartition, ...]  # in order of number
    holders: tuple[str, ...]  # devices that the kernel made from this disk or its partitions: "dm-0"
    swaps: tuple[str, ...]  # names of the disk or partitions that are in use for swap
    mounts: tuple[tuple[str, Mount], ...]  # (name of the disk or partition, where it is mounted)

    @property
    def path(self) -> str:
        return device_path(self.name)

    def users(self) -> list[str]:
        """Who uses the disk, in words; empty if nobody does, as far as this process can see."""
        return [
            *(f"{name} is mounted at {mount.mount_point}" for name, mount in self.mounts),
            *(f"{name} is in use for swap" for name in self.swaps),
            *(f"{holder} is made from it" for holder in self.holders),
        ]


def device_path(name: str) -> str:
    """The device node of a name in /sys/class/block, which writes "/" as "!"."""
    return f"/dev/{name.replace('!', '/')}"


def list_disks(root: Path = Path("/")) -> list[BlockDevice]:
    """Every whole disk that has a medium, by name; RAM disks and the hardware areas of an eMMC are left out."""
    usage = _Usage.read(root)
    whole = (name for name in _entries(root / "sys/class/block") if whole_disk_of(name, root) == name)
    disks = (_describe(name, usage, root) for name in sorted(whole, key=_natural))
    return [disk for disk in disks if disk is not None and disk.size > 0 and disk.major != _RAM_DISK_MAJOR]


def disk_of(path: str | Path, root: Path = Path("/")) -> BlockDevice:
    """The whole disk that the device node at `path` is, or is a part of.

    Raises NotFound if there is nothing at `path`, or no block device.
    """
    name = device_name(str(path), root)
    disk = _describe(whole_disk_of(name, root), _Usage.read(root), root) if name else None
    if disk is None:
        raise NotFound(f"{path} is not a block device", "`backupctl cards` lists those of this machine.")
    return disk


def device_name(path: str, root: Path = Path("/")) -> str:
    """The name in /sys/class/block of the block device at `path` (symbolic links are followed); empty if it is none."""
    node = root / path.lstrip("/")
    try:
        status = node.stat()
    except OSError:
        # A container may have /sys without the nodes.
        place, nodes = Path(os.path.realpath(node)), Path(os.path.realpath(root / "dev"))
        name = "!".join(place.relative_to(nodes).parts) if place.is_relative_to(nodes) else ""
        return name if name and (root / "sys/class/block" / name).exists() else ""
    if not stat.S_ISBLK(status.st_mode):
        return ""
    return name_of_number(os.major(status.st_rdev), os.minor(status.st_rdev), root)


def name_of_number(major: int, minor: int, root: Path = Path("/")) -> str:
    """The name in /sys/class/block of a device number; empty if there is none (anonymous devices have none)."""
    link = root / f"sys/dev/block/{major}:{minor}"
    return link.resolve().name if link.exists() else ""


def whole_disk_of(name: str, root: Path = Path("/")) -> str:
    """The name of the disk that `name` is a partition or a hardware area of; `name` itself if it is a disk."""
    # Both lie in the directory of their disk. Only a block device has both files: an NVMe disk lies in the directory
    # of its controller, a character device.
    directory = (root / "sys/class/block" / name).resolve()
    above = directory.parent
    return above.name if (above / "dev").exists() and (above / "queue").exists() else name


def devices_of(mount: Mount, root: Path = Path("/")) -> list[str]:
    """The names of the disks or partitions that a mounted file system lies on; empty if it lies on none."""
    name = name_of_number(mount.major, mount.minor, root)
    if name:
        return [name]
    if mount.fstype != "btrfs":
        return []
    # btrfs gives each subvolume a number of its own, and names but one of its devices as the source.
    source = device_name(mount.source, root)
    for devices in (root / "sys/fs/btrfs").glob("*/devices"):
        names = sorted(_entries(devices))
        if source in names:
            return names
    return [source] if source else []


def slaves(name: str, root: Path = Path("/")) -> list[str]:
    """The devices that a mapping (dm) or an array (md) is made of."""
    return sorted(_entries(root / "sys/class/block" / name / "slaves"))


def backing_file(name: str, root: Path = Path("/")) -> str:
    """The absolute path of the file behind a loop device, as it was opened; empty if there is none."""
    try:
        shown = (root / "sys/class/block" / name / "loop/backing_file").read_bytes()
    except OSError:
        return ""
    return os.fsdecode(shown.removesuffix(b"\n"))


def swap_names(root: Path = Path("/")) -> list[str]:
    """What /proc/swaps lists (proc(5)): names of devices, and paths of swap files."""
    # The first line holds the titles.
    fields = (line.split() for line in _text(root / "proc/swaps").split("\n")[1:])
    paths = [unescape(found[0]) for found in fields if found]
    return [device_name(path, root) or path for path in paths]


@dataclass(frozen=True)
class _Usage:
    """Who uses what, by name of disk or partition: read once for all disks."""

    mounts: dict[str, list[Mount]]
    swaps: list[str]

    @classmethod
    def read(cls, root: Path) -> _Usage:
        mounts: dict[str, list[Mount]] = {}
        for mount in read_mounts(root):
            for name in devices_of(mount, root):
                mounts.setdefault(name, []).append(mount)
        return cls(mounts, swap_names(root))


def _describe(name: str, usage: _Usage, root: Path) -> BlockDevice | None:
    at = (root / "sys/class/block" / name).resolve()
    number = _number(at)
    if number is None:
        return None  # it was taken out this instant
    device = at / "device"
    partitions = _partitions(at)
    names = [name, *(partition.name for partition in partitions)]
    directories = [at, *(at / partition.name for partition in partitions)]
    return BlockDevice(
        name=name,
        kind=_kind(at),
        major=number[0],
        minor=number[1],
        sequence=_int(at / "diskseq"),
        size=_int(at / "size") * _SYSFS_UNIT,
        sector_size=_int(at / "queue/logical_block_size") or 512,
        removable=_int(at / "removable") != 0,
        read_only=_int(at / "ro") != 0,
        # On virtio this is the number of the maker of the bus.
        vendor="" if _text(device / "vendor").startswith("0x") else _text(device / "vendor"),
        model=_text(device / "model") or _text(device / "name"),
        serial=_serial(at),
        card_type=_text(device / "type") if (device / "cid").exists() else "",
        cid=_text(device / "cid"),
        transport=_transport(at),
        backing_file=backing_file(name, root),
        partitions=partitions,
        holders=tuple(sorted({holder for place in directories for holder in _entries(place / "holders")})),
        swaps=tuple(name for name in names if name in usage.swaps),
        mounts=tuple((name, mount) for name in names for mount in usage.mounts.get(name, [])),
    )


def _partitions(at: Path) -> tuple[DevicePartition, ...]:
    found = []
    for name in _entries(at):
        place = at / name
        number = _number(place) if (place / "partition").exists() else None
        if number is not None:
            start, size = _int(place / "start") * _SYSFS_UNIT, _int(place / "size") * _SYSFS_UNIT
            found.append(DevicePartition(name, _int(place / "partition"), *number, start, size))
    return tuple(sorted(found, key=lambda partition: partition.number))


def _kind(at: Path) -> str:
    for kind in ("loop", "dm", "md"):
        if (at / kind).is_dir():
            return kind
    if at.name.startswith("zram"):
        return "zram"
    # Device type 5 of SCSI is a CD drive (scsi/scsi_proto.h of the kernel); no such file means no SCSI.
    scsi_rom = _text(at / "device/type") == "5"
    # A loop device that nothing is attached to has no directory "loop".
    return "loop" if re.fullmatch(r"loop\d+", at.name) else "rom" if scsi_rom else "disk"


def _serial(at: Path) -> str:
    # NVMe, SD and eMMC; virtio.
    plain = _text(at / "device/serial") or _text(at / "serial")
    if plain:
        return plain
    for directory in at.parents:
        # A drive on USB: the device above it (Documentation/ABI/testing/sysfs-bus-usb).
        if (directory / "idVendor").exists():
            return _text(directory / "serial")
    try:
        # SCSI's page "Unit Serial Number": 4 bytes of header, the last the length of the text (SPC, from memory).
        page = (at / "device/vpd_pg80").read_bytes()
    except OSError:
        return ""
    return page[4 : 4 + page[3]].decode("ascii", "replace").strip(" \0") if len(page) > 4 else ""


def _transport(at: Path) -> str:
    # A USB drive may have the disk of another bus within: USB is asked for first.
    for transport in ("usb", "mmc", "nvme", "ata", "virtio"):
        if any(re.fullmatch(rf"{transport}\d+", part) for part in at.parts):
            return transport
    return ""


def _number(at: Path) -> tuple[int, int] | None:
    found = re.fullmatch(r"(\d+):(\d+)", _text(at / "dev"), re.ASCII)
    return (int(found[1]), int(found[2])) if found else None


def _natural(name: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name)]


def _entries(directory: Path) -> list[str]:
    try:
        return [entry.name for entry in directory.iterdir()]
    except OSError:
        return []


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="surrogateescape").strip()
    except OSError:
        return ""


def _int(path: Path) -> int:
    found = _text(path)
    return int(found) if re.fullmatch(r"\d+", found, re.ASCII) else 0
