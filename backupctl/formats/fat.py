"""Which bytes of a FAT12, FAT16 or FAT32 volume are free.

Source: Microsoft, "FAT: General Overview of On-Disk Format", version 1.03 (FATGEN below); for the state byte, which
it leaves out, linux/msdos_fs.h.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.reader import ReadAt

_BOOT = "FAT boot sector"
BITS = {"fat12": 12, "fat16": 16, "fat32": 32}
_LARGEST_COUNT = 0x0FFFFFF5  # the last cluster's number, count + 1, stays below the bad mark 0x0FFFFFF7
_ENTRIES_AT_ONCE = 1 << 18  # bounds memory: 1 MiB of a FAT32 table, more than all of a FAT12 or FAT16 one
_FREE_RUN = re.compile(rb"\0+")
_LOW_NIBBLE = bytes(byte & 0x0F for byte in range(256))
_VOLUME_ID, _LONG_NAME = 0x08, 0x0F  # directory attributes


@dataclass(frozen=True)
class Layout:
    """Where things lie; bytes from the start of the volume. Only `parse_layout` makes one."""

    kind: str
    tables: tuple[int, ...]  # where each copy of the allocation table starts
    mirrored: bool  # all copies are kept equal
    active: int  # index in `tables` of the copy that is kept when they are not
    root: tuple[int, int]  # offset and length of the root directory (on FAT32 of its first cluster)
    root_cluster: int  # 0 unless FAT32
    data_start: int  # where cluster 2 starts
    cluster_size: int
    clusters: int
    media: int
    extended: int  # offset in the boot sector of drive number, state, signature, serial and label

    @property
    def size(self) -> int:
        """Bytes, up to the end of the last cluster."""
        return self.data_start + self.clusters * self.cluster_size

    def place_of(self, cluster: int) -> int:
        """The byte at which a cluster starts."""
        return self.data_start + (cluster - 2) * self.cluster_size


class _Untrusted(Exception):
    """The allocation table is not to be believed, and why."""


def read_volume(reader: ReadAt) -> VolumeMap | None:
    """The map of a FAT volume, or None where no FAT boot sector stands.

    Free are the clusters that the allocation table calls free, nothing else. A boot sector that contradicts itself or
    the volume's size, and tables that contradict each other, give a map without free ranges and a warning (of kind
    "fat" where the type cannot be told). Raises OSError if the medium cannot be read.
    """
    if reader.size < 512:
        return None
    boot = reader.read_at(0, 512)
    if not claims_fat(boot):
        return None
    try:
        layout = parse_layout(boot, reader.size)
    except Malformed as wrong:
        return VolumeMap("fat", warnings=(f"read whole: {wrong}",))
    warnings: tuple[str, ...]
    try:
        warnings = _doubts(reader, layout, boot)
        free = Ranges.ascending(_free(reader, layout))
    except _Untrusted as wrong:
        free, warnings = Ranges(), (f"read whole: {wrong}",)
    label, identity = _names(reader, layout, boot)
    return VolumeMap(layout.kind, label, identity, layout.cluster_size, free=free, warnings=warnings)


def claims_fat(boot: bytes) -> bool:
    """Whether the first 512 bytes of a volume mean to be those of a FAT."""
    if boot[510:] != b"\x55\xaa":
        return False
    sector_size, reserved, fats, media = struct.unpack_from("<HxHB4xB", boot, 11)
    plausible = sector_size in (512, 1024, 2048, 4096) and reserved > 0 and fats > 0 and _is_media(media)
    # The text decides nothing about the type, but whoever wrote it meant a FAT volume.
    return plausible or b"FAT" in (boot[54:57], boot[82:85])


def _is_media(byte: int) -> bool:
    return byte == 0xF0 or byte >= 0xF8


def _require(sound: bool, offset: int, expected: str, found: object) -> None:
    if not sound:
        raise Malformed(_BOOT, offset, expected, str(found))


def parse_layout(boot: bytes, volume_size: int) -> Layout:
    """Raises Malformed for what cannot be, or does not fit into `volume_size` bytes."""
    (sector, per_cluster, reserved, fats, root_entries, total16, media, fat16) = struct.unpack_from(
        "<HBHBHHBH", boot, 11
    )
    total32, fat32, flags, version, root_cluster = struct.unpack_from("<LLHHL", boot, 32)
    wide = fat16 == 0
    total, table_sectors = total16 or total32, fat16 or fat32
    _require(sector in (512, 1024, 2048, 4096), 11, "512, 1024, 2048 or 4096 bytes in a sector", sector)
    _require(per_cluster.bit_count() == 1, 13, "a power of two of sectors in a cluster", per_cluster)
    _require(reserved > 0, 14, "a reserved sector", 0)
    _require(fats > 0, 16, "an allocation table", 0)
    _require(_is_media(media), 21, "media byte F0 or F8 to FF", f"{media:02X}")
    _require(table_sectors > 0, 22, "the size of a table", 0)
    _require(root_entries * 32 % sector == 0, 17, "a root directory of whole sectors", f"{root_entries} entries")
    _require(wide == (root_entries == 0), 17, "a root directory of its own, except on FAT32", f"{root_entries} entries")
    _require(total * sector <= volume_size, 32, f"a file system within {volume_size} bytes", f"{total * sector} bytes")

    root_start = reserved + fats * table_sectors
    data_start = root_start + root_entries * 32 // sector
    _require(data_start < total, 32, f"more than the {data_start} sectors before the first cluster", total)
    clusters = (total - data_start) // per_cluster
    # FATGEN, "FAT Type Determination": the count of clusters decides the type, nothing else does.
    kind = "fat12" if clusters < 4085 else "fat16" if clusters < 65525 else "fat32"
    _require(0 < clusters <= _LARGEST_COUNT, 32, f"1 to {_LARGEST_COUNT} clusters", clusters)
    _require(
        wide == (kind == "fat32"),
        22,
        f"the layout of {kind}, which {clusters} clusters make it",
        f"that of {'FAT32' if wide else 'FAT12 and FAT16'}, so that readers may take it for either",
    )
    held = table_sectors * sector * 8 // BITS[kind]
    _require(held >= clusters + 2, 22, f"tables for {clusters} clusters", f"tables for {held - 2}")

    mirrored, active = True, 0
    if wide:
        _require(version == 0, 42, "FAT32 version 0.0", f"{version >> 8}.{version & 0xFF}")
        _require(2 <= root_cluster < clusters + 2, 44, f"a root cluster from 2 to {clusters + 1}", root_cluster)
        if flags & 0x80:
            mirrored, active = False, flags & 0x0F
            _require(active < fats, 40, f"one of {fats} tables as the active one", active)
    cluster_size = per_cluster * sector
    if wide:
        root = ((data_start + (root_cluster - 2) * per_cluster) * sector, cluster_size)
    else:
        root = (root_start * sector, root_entries * 32)
    return Layout(
        kind=kind,
        tables=tuple((reserved + copy * table_sectors) * sector for copy in range(fats)),
        mirrored=mirrored,
        active=active,
        root=root,
        root_cluster=root_cluster if wide else 0,
        data_start=data_start * sector,
        cluster_size=cluster_size,
        clusters=clusters,
        media=media,
        extended=64 if wide else 36,
    )


def _doubts(reader: ReadAt, layout: Layout, boot: bytes) -> tuple[str, ...]:
    """Warnings about a volume whose map is usable all the same: its table is what every reader of it goes by.

    Raises _Untrusted if the table does not begin as one does, as when it was wiped.
    """
    table = layout.tables[layout.active]
    media, second16, second32 = struct.unpack("<BxHL", reader.read_at(table, 8))
    if media != layout.media:
        raise _Untrusted(f"the allocation table at byte {table} begins with {media:02X}, not with {layout.media:02X}")
    # FATGEN, "FAT Data Structure": in entry 1, set means well; FAT12 has no such bits.
    clean, well = {
        "fat12": (True, True),
        "fat16": (second16 & 0x8000 != 0, second16 & 0x4000 != 0),
        "fat32": (second32 & 0x08000000 != 0, second32 & 0x04000000 != 0),
    }[layout.kind]
    warnings = []
    if not clean or boot[layout.extended + 1] & 0x01:  # FAT_STATE_DIRTY of linux/msdos_fs.h
        warnings.append(f"{layout.kind} was not unmounted cleanly, or is mounted now")
    if not well:
        warnings.append(f"{layout.kind} is marked as having had a read or write error")
    return tuple(warnings)


def _free(reader: ReadAt, layout: Layout) -> Iterator[tuple[int, int]]:
    """Free clusters as bytes, in order.

    Where mirroring is off only one table is meant to count, but some readers use the first one whatever the flag says
    (common practice, no source): what any table has in use is not free then.
    """
    bits, end = BITS[layout.kind], layout.clusters + 2  # entries behind the last cluster's mean nothing
    origin = layout.data_start - 2 * layout.cluster_size
    for first in range(0, end, _ENTRIES_AT_ONCE):
        count = min(_ENTRIES_AT_ONCE, end - first)
        offset, length = first * bits // 8, (count * bits + 7) // 8
        entries = reader.read_at(layout.tables[0] + offset, length)
        used = _used(entries, bits, count)
        for table in layout.tables[1:]:
            copy = reader.read_at(table + offset, length)
            if copy == entries:
                continue
            if layout.mirrored:
                raise _Untrusted(f"the copies of the allocation table at bytes {layout.tables[0]} and {table} differ")
            used = _either(used, _used(copy, bits, count))
        if (
            layout.root_cluster
            and first <= layout.root_cluster < first + count
            and not used[layout.root_cluster - first]
        ):
            raise _Untrusted(f"cluster {layout.root_cluster}, the root directory, is marked free")
        for run in _FREE_RUN.finditer(used, 2 if first == 0 else 0):
            low, high = run.span()
            yield origin + (first + low) * layout.cluster_size, origin + (first + high) * layout.cluster_size


def _used(entries: bytes, bits: int, count: int) -> bytes:
    """One byte for each of `count` entries of a table, zero where the cluster is free.

    Works on all entries at once as long numbers: half a million take milliseconds, which a loop does not.
    """
    if bits == 12:  # at most 4086 entries; FATGEN: entry N starts at byte N + N/2, odd ones in its high nibble
        pairs = (int.from_bytes(entries[at : at + 3], "little") for at in range(0, len(entries), 3))
        return bytes(value != 0 for pair in pairs for value in (pair & 0xFFF, pair >> 12))[:count]
    if bits == 16:
        return _either(entries[0::2], entries[1::2])
    # FATGEN: the high 4 bits are reserved and do not make a free cluster used.
    return _either(_either(entries[0::4], entries[1::4]), _either(entries[2::4], entries[3::4].translate(_LOW_NIBBLE)))


def _either(left: bytes, right: bytes) -> bytes:
    """Byte by byte, left OR right; both of one length."""
    return (int.from_bytes(left, "little") | int.from_bytes(right, "little")).to_bytes(len(left), "little")


def _names(reader: ReadAt, layout: Layout, boot: bytes) -> tuple[str, str]:
    """Label and serial number; the label from the root directory, which is where renaming writes it, if it has one."""
    signature, serial, name = struct.unpack_from("<BL11s", boot, layout.extended + 2)
    identity = f"{serial >> 16:04X}-{serial & 0xFFFF:04X}" if signature in (0x28, 0x29) else ""
    label = _text(name) if signature == 0x29 else ""
    root = reader.read_at(*layout.root)
    for at in range(0, len(root), 32):
        entry = root[at : at + 32]
        if entry[0] == 0:
            break
        if entry[0] != 0xE5 and entry[11] & 0x3F != _LONG_NAME and entry[11] & _VOLUME_ID:
            label = _text(entry[:11])
            break
    return ("" if label == "NO NAME" else label), identity


def _text(name: bytes) -> str:
    # Code page 850, as dosfstools takes it unless told otherwise; what could upset a terminal is replaced.
    return "".join(c if c.isprintable() else "?" for c in name.decode("cp850").rstrip(" \0"))
