"""Folders of FAT12, FAT16 and FAT32, entry by entry, with their long names.

Source: as in `fat`, "FAT Directory Structure" and "FAT Long Directory Entries"; for the two bits that say that a short
name is in lower case, which it leaves out, CASE_LOWER_BASE and CASE_LOWER_EXT in linux/msdos_fs.h.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

ENTRY = 32
_FREE, _END = 0xE5, 0x00
_READ_ONLY, _VOLUME_LABEL, _FOLDER, _LONG = 0x01, 0x08, 0x10, 0x0F
_LOWER_BASE, _LOWER_EXTENSION = 0x08, 0x10
_LAST = 0x40
_LONG_ENTRIES_MOST = 20  # 255 characters, 13 in each
_LONG_PIECES = ((1, 11), (14, 26), (28, 32))
_UNITS_MOST = 255


@dataclass(frozen=True, slots=True)
class FolderEntry:
    """One file or folder."""

    name: bytes  # UTF-8
    place: int  # byte of the volume at which its entry of 32 bytes stands
    folder: bool
    read_only: bool
    cluster: int
    size: int
    date: int
    time: int

    def modified_ns(self, zone: tzinfo) -> int:
        """Nanoseconds since 1970, UTC, of a clock that showed the time of `zone`; 0 for what is no time."""
        try:
            stamp = datetime(1980 + (self.date >> 9), self.date >> 5 & 15, self.date & 31, tzinfo=zone)
            hours, minutes, seconds = self.time >> 11, self.time >> 5 & 63, (self.time & 31) * 2
            if hours > 23 or minutes > 59 or seconds > 59:
                raise ValueError
            stamp = stamp.replace(hour=hours, minute=minutes, second=seconds)
            return int((stamp.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1)) * 1000
        except (ValueError, OverflowError):
            return 0


def entries(stretches: Iterable[tuple[int, bytes]], wide: bool) -> Iterator[FolderEntry]:
    """Files and folders in the stretches of one folder, each with its place in the volume. `wide`: FAT32.

    Deleted entries, "." and "..", and the volume's label are none.
    """
    long: list[bytes] = []  # entries of a long name, as they stand: the end of the name first
    for base, raw in stretches:
        for at in range(0, len(raw) - ENTRY + 1, ENTRY):
            entry = raw[at : at + ENTRY]
            if entry[0] == _END:
                return
            if entry[0] == _FREE:
                long.clear()
            elif entry[11] & 0x3F == _LONG:
                if entry[0] & _LAST:
                    long.clear()
                if len(long) < _LONG_ENTRIES_MOST:
                    long.append(entry)
            else:
                if not entry[11] & _VOLUME_LABEL and entry[:11] not in (b".          ", b"..         "):
                    yield _entry(entry, base + at, _long_name(long, entry) or _short_name(entry), wide)
                long.clear()


def _entry(raw: bytes, place: int, name: str, wide: bool) -> FolderEntry:
    high, time, date, low, size = struct.unpack_from("<HHHHL", raw, 20)
    folder = bool(raw[11] & _FOLDER)
    cluster = low | (high << 16 if wide else 0)
    return FolderEntry(
        # What has half a character of UTF-16 only cannot be said in UTF-8.
        name.encode("utf-8", "replace"), place, folder, bool(raw[11] & _READ_ONLY), cluster,
        0 if folder else size, date, time,
    )  # fmt: skip


def _long_name(long: list[bytes], entry: bytes) -> str:
    """The name in `long`, if it is whole, belongs to `entry`, and is one; else nothing."""
    checksum = _checksum(entry[:11])
    expected = [number | (_LAST if number == len(long) else 0) for number in range(len(long), 0, -1)]
    if not long or [piece[0] for piece in long] != expected or any(piece[13] != checksum for piece in long):
        return ""
    units = b"".join(piece[start:end] for piece in reversed(long) for start, end in _LONG_PIECES)
    end = next((at for at in range(0, len(units), 2) if units[at : at + 2] == b"\0\0"), len(units))
    if end > 2 * _UNITS_MOST:
        return ""
    return _checked(units[:end].decode("utf-16-le", "replace"))


def _checksum(short: bytes) -> int:
    """ChkSum in the source."""
    total = 0
    for byte in short:
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    return total


def _short_name(entry: bytes) -> str:
    raw = bytes([0xE5]) + entry[1:11] if entry[0] == 0x05 else entry[:11]
    # Code page 437, the kernel's own default (CONFIG_FAT_DEFAULT_CODEPAGE), where nothing tells which one was used.
    base, extension = (part.decode("cp437").rstrip(" ") for part in (raw[:8], raw[8:]))
    if entry[12] & _LOWER_BASE:
        base = base.lower()
    if entry[12] & _LOWER_EXTENSION:
        extension = extension.lower()
    name = f"{base}.{extension}" if extension else base
    return _checked(name) or name.replace("/", "?").replace("\0", "?") or "?"


def _checked(name: str) -> str:
    """`name`, unless it is none that a file may have."""
    return "" if name in (".", "..") or "/" in name or "\0" in name else name
