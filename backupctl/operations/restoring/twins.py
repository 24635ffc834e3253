"""Other disks of this machine that cannot be told from a restored card: the captured one, or an earlier copy of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from backupctl.board.block_device import list_disks
from backupctl.board.open_device import DeviceReader, open_shared
from backupctl.domain.errors import BackupctlError
from backupctl.formats import ext4, swap
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import ReadAt, Window


def twins(identities: Mapping[str, str], but: str) -> list[str]:
    """Warnings, one for each disk that has one of `identities` (and what each is), except the one named `but`."""
    warnings = []
    for disk in list_disks():
        if disk.name == but or disk.kind not in ("disk", "loop"):
            continue
        try:
            with open_shared(disk.path) as device:
                found = next((one for one in _identities(DeviceReader(device.fd)) if one in identities), None)
        except (BackupctlError, OSError):
            continue  # what cannot be looked at has other warnings, where it matters
        if found:
            warnings.append(
                f"{disk.path} has the same {identities[found]} ({found}): while both are plugged in, either may be "
                "booted from or mounted in place of the other. Take one out, or make this a clone: --new-identity"
            )
    return warnings


def _identities(reader: DeviceReader) -> Iterator[str]:
    """Those that are read without looking at all of a disk."""
    table = read_partition_table(reader, reader.sector_size)
    if table is None:
        yield from _of_volume(reader)
        return
    yield table.identity
    for partition in table.partitions:
        yield from _of_volume(Window(reader, partition.start, partition.end - partition.start))


def _of_volume(reader: ReadAt) -> Iterator[str]:
    end = ext4.SUPERBLOCK_OFFSET + ext4.SUPERBLOCK_LENGTH
    if reader.size < end:
        return
    superblock = ext4.parse_superblock(reader.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH))
    if superblock:
        yield superblock.identity
    elif found := swap.read_volume(reader):
        yield found.identity
