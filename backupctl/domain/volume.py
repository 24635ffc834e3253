"""What a volume (a partition, or a bare device) holds, and which of its bytes matter."""

from __future__ import annotations

from dataclasses import dataclass, field

from backupctl.domain.ranges import Ranges


@dataclass(frozen=True)
class VolumeMap:
    """One volume, byte offsets counted from its start.

    `free` need not be kept; `zero` is in use but must be zero in the copy; all else is data. A volume that cannot be
    trusted or is not understood has both empty and says why in `warnings`.
    """

    kind: str  # "ext4", "fat32", "swap", "unknown", "luks", ...
    label: str = ""
    identity: str = ""  # the file system's UUID or serial, as the system's tools print it
    block_size: int = 0  # allocation unit in bytes, 0 where it has none
    free: Ranges = field(default_factory=Ranges)
    zero: Ranges = field(default_factory=Ranges)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Partition:
    """One entry of a partition table; bytes, half-open."""

    number: int  # as the kernel numbers it: logical partitions from 5
    start: int
    end: int
    type: str  # "83" (two lower-case hex digits) for MBR, an upper-case GUID for GPT
    identity: str  # PARTUUID: "deadbeef-01" or a lower-case GUID
    name: str = ""
    bootable: bool = False


@dataclass(frozen=True)
class PartitionTable:
    """A partition table that was found consistent, and where its own bytes lie."""

    scheme: str  # "mbr", "gpt"
    identity: str  # disk signature (8 lower-case hex digits) or GUID (lower-case)
    sector_size: int
    partitions: tuple[Partition, ...]  # in order of number; extended containers are not among them
    structures: Ranges  # the bytes of the table itself: MBR, EBRs, GPT headers and arrays
    warnings: tuple[str, ...] = ()
