"""Access control lists: as setxattr(2) takes them, and as an archive holds them.

The first form is that of <linux/posix_acl_xattr.h>, the second the long text form of acl(5), with numbers for names.
"""

from __future__ import annotations

import re
import struct

from backupctl.domain.errors import Malformed

ACCESS, DEFAULT = b"system.posix_acl_access", b"system.posix_acl_default"

_VERSION = 2
_NOBODY = 0xFFFFFFFF  # ACL_UNDEFINED_ID
_TAGS = {1: "user", 2: "user", 4: "group", 8: "group", 16: "mask", 32: "other"}
_NAMED = {2, 8}
_BY_WORD = {("user", False): 1, ("user", True): 2, ("group", False): 4, ("group", True): 8,
            ("mask", False): 16, ("other", False): 32}  # fmt: skip
_MOST = 65536 // 8  # the size of an attribute, by xattr(7)
_LINE = re.compile(rb"(user|group|mask|other):(\d{0,10}):([r-][w-][x-])")


def acl_text(attribute: bytes) -> bytes:
    """`user::rwx` and so on, a line for each entry, in their order. Raises Malformed."""
    if len(attribute) < 4 or (len(attribute) - 4) % 8 or struct.unpack_from("<I", attribute)[0] != _VERSION:
        raise Malformed("access control list", 0, "version 2 and entries of 8 bytes", attribute[:12].hex())
    lines = []
    for tag, permissions, who in struct.iter_unpack("<HHI", attribute[4:]):
        if tag not in _TAGS or permissions > 7:
            raise Malformed("access control list", 0, "an entry that acl(5) knows", f"tag {tag}, {permissions}")
        letters = "".join(letter if permissions & bit else "-" for letter, bit in (("r", 4), ("w", 2), ("x", 1)))
        lines.append(f"{_TAGS[tag]}:{who if tag in _NAMED else ''}:{letters}\n")
    return "".join(lines).encode()


def acl_attribute(text: bytes) -> bytes:
    """The attribute that such a text stands for: lines or commas, blanks and remarks as acl(5) has them.

    Raises Malformed, also for names in place of numbers: whom they mean elsewhere is not known.
    """
    entries: list[tuple[int, int, int]] = []
    for line in re.split(rb"[\n,]", text):
        plain = line.partition(b"#")[0].strip()
        if not plain:
            continue
        found = _LINE.fullmatch(plain)
        key = (found[1].decode(), bool(found[2])) if found else ("", False)
        if found is None or key not in _BY_WORD or len(entries) == _MOST or int(found[2] or 0) >= _NOBODY:
            raise Malformed("access control list", 0, "entries as acl(5) has them, with numbers", repr(line[:80]))
        permissions = sum(bit for letter, bit in zip(found[3], (4, 2, 1), strict=True) if letter != ord("-"))
        entries.append((_BY_WORD[key], permissions, int(found[2]) if found[2] else _NOBODY))
    entries.sort(key=lambda entry: (entry[0], entry[2]))  # the order that the kernel wants
    return struct.pack("<I", _VERSION) + b"".join(struct.pack("<HHI", *entry) for entry in entries)
