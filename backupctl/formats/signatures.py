"""Names for contents that are known but not mapped.

Magic numbers and their places as `blkid -p` (util-linux 2.38.1) recognises them.
"""

from __future__ import annotations

from typing import NamedTuple

from backupctl.formats.reader import ReadAt


class _Magic(NamedTuple):
    name: str
    offset: int
    magic: bytes


_MD = 0xA92B4EFC.to_bytes(4, "little")
_MAGICS = (
    _Magic("luks", 0, b"LUKS\xba\xbe"),
    _Magic("bitlocker", 3, b"-FVE-FS-"),
    *(_Magic("lvm2", label + 24, b"LVM2 001") for label in (0, 512, 1024, 1536)),
    _Magic("mdraid", 0, _MD),  # version 1.1
    _Magic("mdraid", 4096, _MD),  # version 1.2
    _Magic("dm-verity", 0, b"verity\0\0"),
    _Magic("dm-integrity", 0, b"integrt\0"),
    _Magic("bcache", 4096 + 24, bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81")),
    _Magic("bcachefs", 4096 + 24, bytes.fromhex("c68573f666ce90a9d96a60cf803df7ef")),
    _Magic("xfs", 0, b"XFSB"),
    _Magic("btrfs", 65536 + 64, b"_BHRfS_M"),
    _Magic("f2fs", 1024, 0xF2F52010.to_bytes(4, "little")),
    _Magic("ntfs", 3, b"NTFS    "),
    _Magic("exfat", 3, b"EXFAT   "),
    _Magic("apfs", 32, b"NXSB"),
    _Magic("jfs", 32768, b"JFS1"),
    _Magic("reiserfs", 65536 + 52, b"ReIsEr"),
    _Magic("squashfs", 0, b"hsqs"),
    _Magic("squashfs", 0, b"sqsh"),
    _Magic("erofs", 1024, 0xE0F5E1E2.to_bytes(4, "little")),
    _Magic("cramfs", 0, 0x28CD3D45.to_bytes(4, "little")),
    _Magic("romfs", 0, b"-rom1fs-"),
    _Magic("iso9660", 32768 + 1, b"CD001"),
    _Magic("udf", 32768 + 1, b"BEA01"),
)
_HEAD = max(entry.offset + len(entry.magic) for entry in _MAGICS)


def name(reader: ReadAt) -> str | None:
    """What the volume seems to hold, or None. Raises OSError if the medium cannot be read."""
    head = reader.read_at(0, min(_HEAD, reader.size))
    for entry in _MAGICS:
        if head.startswith(entry.magic, entry.offset):
            return entry.name
    # md(4): version 1.0 stands at least 8 KiB before the end on a multiple of 4 KiB, 0.90 64 KiB before on one of 64.
    for back, multiple, magics in ((8192, 4096, (_MD,)), (65536, 65536, (_MD, _MD[::-1]))):
        at = (reader.size - back) // multiple * multiple
        if at >= 0 and reader.read_at(at, 4) in magics:
            return "mdraid"
    return None
