"""What the first field of an fstab entry means.

Sources: fstab(5), and for the links below /dev/disk udev's 60-persistent-storage.rules.
"""

from __future__ import annotations

import re

# Names of the kernel's devices: a "p" stands between a disk whose name ends in a digit and the number of a partition.
_PARTITION = re.compile(r"/dev/(?:(?:mmcblk|loop|md)\d+p|nvme\d+n\d+p|(?:sd|vd|hd|xvd)[a-z]+)(\d{1,4})")
_LINKS = {"by-uuid": "UUID", "by-partuuid": "PARTUUID", "by-label": "LABEL", "by-partlabel": "PARTLABEL"}
_TAGS = frozenset(_LINKS.values())
# udev writes what could upset a shell or a path as \x and two digits (ID_FS_LABEL_ENC).
_ESCAPED = re.compile(rb"\\x([0-9a-f]{2})")


def partition_number(source: str) -> int | None:
    """Of which partition of its disk `/dev/mmcblk0p2` or `/dev/sda2` is the device; None for what is none."""
    found = _PARTITION.fullmatch(source)
    return int(found[1]) if found else None


def tag_and_value(source: str) -> tuple[str, str]:
    """("UUID", "3f0d-...") of `UUID=3f0d-...` and of `/dev/disk/by-uuid/3f0d-...`; else ("", "")."""
    if source.startswith("/dev/disk/"):
        folder, _, value = source.removeprefix("/dev/disk/").partition("/")
        raw = _ESCAPED.sub(lambda found: bytes([int(found[1], 16)]), value.encode(errors="surrogateescape"))
        return (_LINKS[folder], raw.decode(errors="surrogateescape")) if folder in _LINKS else ("", "")
    tag, _, value = source.partition("=")
    return (tag, value.strip("\"'")) if tag in _TAGS else ("", "")
