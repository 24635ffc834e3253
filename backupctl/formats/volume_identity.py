"""Giving a FAT or a swap area another identity: the few bytes that hold it. Sources: see `fat` and `swap`."""

from __future__ import annotations

import uuid

from backupctl.domain.errors import Malformed
from backupctl.formats.reader import ReadAt

_FAT32_BACKUP_AT = 50  # sector of the boot sector's copy
_SWAP_UUID_AT = 1024 + 12


def fat_serial_patches(reader: ReadAt, kind: str, serial: str) -> list[tuple[int, bytes]]:
    """For the serial `ABCD-1234`. Raises Malformed if the boot sector has no place for one."""
    raw = int(serial.replace("-", ""), 16).to_bytes(4, "little")
    boot = reader.read_at(0, 512)
    extended = 64 if kind == "fat32" else 36
    if boot[extended + 2] not in (0x28, 0x29):
        raise Malformed(
            "FAT boot sector", extended + 2, "a signature 28 or 29, before a serial", f"{boot[extended + 2]:02x}"
        )
    patches = [(extended + 3, raw)]
    sector = int.from_bytes(boot[11:13], "little")
    copy = int.from_bytes(boot[_FAT32_BACKUP_AT : _FAT32_BACKUP_AT + 2], "little") if kind == "fat32" else 0
    if (
        0 < copy < int.from_bytes(boot[14:16], "little")
        and reader.read_at(copy * sector, 512)[extended + 2] == boot[extended + 2]
    ):
        patches.append((copy * sector + extended + 3, raw))
    return patches


def swap_uuid_patches(identity: str) -> list[tuple[int, bytes]]:
    """For a UUID as text."""
    return [(_SWAP_UUID_AT, uuid.UUID(identity).bytes)]
