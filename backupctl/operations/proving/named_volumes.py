"""The volumes of a card by all the names that a command line or fstab may have for them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from backupctl.domain.card_map import CardVolume
from backupctl.formats.file_tree import FileTree
from backupctl.formats.fstab import Entry

_BY_LINK = re.compile(r"/dev/disk/by-(uuid|label|partuuid|partlabel)/(.+)")
# Disks as the kernel calls them; a name that ends in a digit has a "p" before the partition's number.
_PARTITION = re.compile(r"(/dev/(?:mmcblk\d+|nvme\d+n\d+|loop\d+|md\d+)p|/dev/(?:sd|vd|hd|xvd)[a-z]+)(\d+)")
# Neither on a disk nor of a network (fs(5), and the kernel's own), or held together by something above partitions.
_SPECIAL = frozenset((
    *("proc", "sysfs", "tmpfs", "ramfs", "devtmpfs", "devpts", "securityfs", "debugfs", "tracefs", "configfs"),
    *("cgroup", "cgroup2", "mqueue", "hugetlbfs", "pstore", "efivarfs", "bpf", "fusectl", "binfmt_misc"),
    *("autofs", "overlay", "none", "ignore", "rpc_pipefs"),
))  # fmt: skip
_NETWORK = frozenset(("cifs", "smb3", "smbfs", "nfs", "nfs4", "davfs", "afs", "ceph", "9p", "glusterfs", "ncpfs"))
_ELSEWHERE = ("/dev/mapper/", "/dev/md", "/dev/dm-", "/dev/nfs", "/dev/ram", "/dev/zram", "/dev/disk/by-id/",
              "/dev/disk/by-path/")  # fmt: skip


@dataclass(frozen=True)
class NamedVolume:
    """One volume of a card. `tree`: its files, where they can be read here."""

    number: int | None  # of its partition
    kind: str
    label: str
    identity: str  # the file system's UUID or serial
    partition_identity: str
    partition_label: str
    left_out: bool = False
    tree: FileTree | None = None

    @property
    def name(self) -> str:
        return "the card" if self.number is None else f"partition {self.number}"


def named(volume: CardVolume, tree: FileTree | None) -> NamedVolume:
    partition, found = volume.partition, volume.map
    return NamedVolume(
        partition.number if partition else None,
        found.kind,
        found.label,
        found.identity,
        partition.identity if partition else "",
        partition.name if partition else "",
        volume.left_out,
        tree,
    )


def find_volume(source: str, volumes: Sequence[NamedVolume], captured_from: str) -> NamedVolume | None:
    """What `source` (of `root=` or fstab) names on this card; None for what is not on it.

    `captured_from`: the device that the card was. A device of another disk is not on it; one of a card that was
    captured from a file, or in a reader, is told by its number alone.
    """
    kind, value = _split(source)
    match kind:
        case "uuid":
            return _first(volumes, value, lambda volume: volume.identity)
        case "label":
            return next((volume for volume in volumes if volume.label == value), None)
        case "partuuid":
            return _first(volumes, value, lambda volume: volume.partition_identity)
        case "partlabel":
            return next((volume for volume in volumes if volume.partition_label == value), None)
    found = _PARTITION.fullmatch(source)
    if found is None:
        return None
    disk = found[1].removesuffix("p") if found[1][-2:-1].isdigit() else found[1]
    if captured_from.startswith("/dev/") and captured_from != disk:
        return None
    return next((volume for volume in volumes if volume.number == int(found[2])), None)


def _first(volumes: Sequence[NamedVolume], value: str, name_of: object) -> NamedVolume | None:
    assert callable(name_of)
    return next((volume for volume in volumes if value and name_of(volume).lower() == value.lower()), None)


def _split(source: str) -> tuple[str, str]:
    """`UUID=x`, `UUID="x"` and `/dev/disk/by-uuid/x` name the same."""
    link = _BY_LINK.fullmatch(source)
    if link is not None:
        # What udev cannot have in a name stands as \\x20.
        return link[1], re.sub(r"\\x([0-9a-fA-F]{2})", lambda hexed: chr(int(hexed[1], 16)), link[2])
    kind, equals, value = source.partition("=")
    return (kind.lower(), value.strip('"')) if equals else ("", source)


def is_elsewhere(source: str) -> bool:
    """Whether it names something that is no partition: a mapping, an array, a network."""
    return source.startswith(_ELSEWHERE)


def needs_volume(entry: Entry) -> bool:
    """Whether an entry of fstab is of a file system on a disk, or of a file that is mounted or swapped to."""
    if entry.fstype in _SPECIAL | _NETWORK or entry.fstype.startswith("fuse") or "_netdev" in entry.options:
        return False
    if {"bind", "rbind"} & set(entry.options):
        return False
    return entry.source.startswith("/") or "=" in entry.source


def is_of_type(fstype: str, kind: str) -> bool:
    """Whether mount(8) finds `fstype` where `kind` is."""
    names = {"vfat": "fat", "msdos": "fat", "fat": "fat", "ext2": "ext", "ext3": "ext", "ext4": "ext"}
    if fstype in ("auto", "") or kind in ("unknown", "luks"):
        return True
    return kind.startswith(names.get(fstype.split(",")[0], fstype))
