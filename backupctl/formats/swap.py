"""Linux swap areas: the header is kept, the body is not.

Source: mkswap(8) of util-linux 2.38.1; the fields as `mkswap` writes them and `blkid -p` reads them.
"""

from __future__ import annotations

import struct
import uuid

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.reader import ReadAt

_PAGE_SIZES = (4096, 8192, 16384, 32768, 65536)
_MAGIC_BYTES = 10  # at the end of the first page
_SUSPENDED = (b"S1SUSPEND\0", b"S2SUSPEND\0", b"ULSUSPEND\0", b"LINHIB0001")
_TUXONICE = bytes.fromhex("edc302e99856e50c")  # at byte 0
_HEADER = 1024  # the bytes before it are left to boot loaders


def read_volume(reader: ReadAt) -> VolumeMap | None:
    """The map of a swap area, or None if there is none.

    Its first page is data. The rest is `zero`, not free: what once was swapped out must not come back on another card.
    A hibernation image, an area longer than its volume and the old kind ("SWAP-SPACE") give a map without it, and a
    warning. Raises OSError if the medium cannot be read.
    """
    if reader.size < _PAGE_SIZES[0]:
        return None
    head = reader.read_at(0, min(reader.size, _PAGE_SIZES[-1]))
    if head.startswith(_TUXONICE):
        return VolumeMap("swap", warnings=("read whole: the swap area holds a hibernation image",))
    for page in _PAGE_SIZES:  # the smallest first: formatting for larger pages wipes its magic, not the other way round
        magic = head[page - _MAGIC_BYTES : page]
        if magic in _SUSPENDED:
            return VolumeMap("swap", warnings=("read whole: the swap area holds a hibernation image",))
        if magic == b"SWAP-SPACE":
            return VolumeMap("swap", warnings=("read whole: a swap area of the old kind does not say how long it is",))
        if magic == b"SWAPSPACE2" and (area := _area(head, page, reader.size)):
            return area
    return None


def _area(head: bytes, page: int, volume_size: int) -> VolumeMap | None:
    """None for another version than 1: a magic that something later has left standing."""
    version = head[_HEADER : _HEADER + 4]
    if version not in (b"\1\0\0\0", b"\0\0\0\1"):
        return None
    order = "<" if version[0] else ">"  # written by the machine that made it, in its own order
    last_page, raw_id, raw_label = struct.unpack_from(f"{order}L4x16s16s", head, _HEADER + 4)
    identity = str(uuid.UUID(bytes=raw_id)) if any(raw_id) else ""
    label = "".join(c if c.isprintable() else "?" for c in raw_label.split(b"\0")[0].decode("utf-8", "replace"))
    end = (last_page + 1) * page
    if end > volume_size:
        warning = f"read whole: the swap header speaks of {end} bytes where there are {volume_size}"
        return VolumeMap("swap", label, identity, page, warnings=(warning,))
    return VolumeMap("swap", label, identity, page, zero=Ranges([(page, end)]))
