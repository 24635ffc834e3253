"""The block devices of this machine, and what is on them: for choosing one."""

from __future__ import annotations

from dataclasses import dataclass, replace

from backupctl.board.block_device import BlockDevice, list_disks
from backupctl.board.open_device import DeviceReader, open_shared
from backupctl.board.system_disks import system_disks
from backupctl.domain.errors import BackupctlError, Malformed
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import Window
from backupctl.formats.volume import read_volume


@dataclass(frozen=True)
class VolumeOnCard:
    """A partition, or the whole of a disk without a partition table; bytes."""

    number: int  # 0 for the whole disk
    start: int
    size: int
    kind: str  # "ext4", "fat32", "unknown", ...
    label: str


@dataclass(frozen=True)
class Card:
    """One whole disk."""

    path: str
    kind: str  # "disk" or "loop"
    model: str
    serial: str
    size: int  # bytes
    sector_size: int
    removable: bool
    read_only: bool
    transport: str
    runs_system: bool
    why: tuple[str, ...]  # what of the running system is on it
    mounted_at: tuple[str, ...]
    users: tuple[str, ...]  # everyone who uses it, in words
    scheme: str  # of its partition table: "mbr", "gpt", empty if it has none or it could not be looked at
    identity: str  # of the table, or of the volume that is all of the disk; empty if it has none
    volumes: tuple[VolumeOnCard, ...]
    unread: str  # why its contents could not be looked at; empty if they could
    twins: tuple[str, ...] = ()  # paths of other disks with the same identity


def cards() -> list[Card]:
    """Every disk and every loop device in use, looked at without changing anything.

    Disks that are made of others (mappings, arrays) are left out. An ordinary user may not look into most devices:
    `unread` says so then.
    """
    system = system_disks()
    found = [look_at(disk, system.why.get(disk.name, ())) for disk in list_disks() if disk.kind in ("disk", "loop")]
    return [replace(card, twins=tuple(other.path for other in found if _are_twins(card, other))) for card in found]


def _are_twins(one: Card, other: Card) -> bool:
    """An identity of zeros is none that was given."""
    return other.path != one.path and other.identity == one.identity and bool(one.identity.strip("0-"))


def look_at(disk: BlockDevice, why: tuple[str, ...] = ()) -> Card:
    """One disk; `why` is what of the running system is on it."""
    scheme, identity, unread = "", "", ""
    volumes: tuple[VolumeOnCard, ...] = ()
    try:
        with open_shared(disk.path) as device:
            scheme, identity, volumes = _contents(DeviceReader(device.fd))
    except Malformed as error:
        unread = f"its partition table cannot be trusted: {error}"
    except BackupctlError as error:
        unread = error.cause
    except OSError as error:
        unread = f"it cannot be read: {error.strerror}"
    return Card(
        path=disk.path,
        kind=disk.kind,
        model=" ".join(filter(None, (disk.vendor, disk.model))) or disk.backing_file,
        serial=disk.serial,
        size=disk.size,
        sector_size=disk.sector_size,
        removable=disk.removable,
        read_only=disk.read_only,
        transport=disk.transport,
        runs_system=bool(why),
        why=why,
        mounted_at=tuple(mount.mount_point for _, mount in disk.mounts),
        users=tuple(disk.users()),
        scheme=scheme,
        identity=identity,
        volumes=volumes,
        unread=unread,
    )


def _contents(reader: DeviceReader) -> tuple[str, str, tuple[VolumeOnCard, ...]]:
    table = read_partition_table(reader, reader.sector_size)
    if table is None:
        found = read_volume(reader)
        return "", found.identity, (VolumeOnCard(0, 0, reader.size, found.kind, found.label),)
    volumes = []
    for partition in table.partitions:
        size = partition.end - partition.start
        found = read_volume(Window(reader, partition.start, size))
        volumes.append(VolumeOnCard(partition.number, partition.start, size, found.kind, found.label))
    return table.scheme, table.identity, tuple(volumes)
