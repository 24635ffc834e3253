"""JSON files that end with their own checksum, so that a flipped bit in one is found and not believed.

{ ...
  "checksum": "<XXH3-128 of all bytes before the comma in front of this line, as `xxhsum -H2` prints it>"
}
"""

from __future__ import annotations

from typing import Any

from backupctl.domain.errors import Malformed
from backupctl.formats.strict_json import dump
from backupctl.share.hashing import checksum

_BEFORE, _AFTER = b',\n  "checksum": "', b'"\n}\n'


def seal(value: dict[str, Any]) -> bytes:
    """The text of a file; `value` has at least one field."""
    body = dump(value).removesuffix(b"\n}\n")
    return body + _BEFORE + checksum(body).encode() + _AFTER


def check_seal(name: str, text: bytes) -> None:
    """Raises Malformed."""
    body, _, tail = text.rpartition(_BEFORE)
    if tail != checksum(body).encode() + _AFTER:
        raise Malformed(name, len(body), "the checksum of what stands before it", repr(tail[:40]))
