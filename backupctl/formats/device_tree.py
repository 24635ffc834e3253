"""What hardware a flattened device tree is for: `model` and `compatible` of its root node.

Source: Devicetree Specification 0.4, chapter 5 "Flattened Devicetree (DTB) Format", and section 3.2 "Root node".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from backupctl.domain.errors import Malformed

_MAGIC = 0xD00DFEED
_BEGIN_NODE, _PROPERTY, _NOP = 1, 3, 4
_MOST_TOKENS = 1000  # of a root node, before its first child


@dataclass(frozen=True)
class Hardware:
    """`compatible` goes from the most special name to the most general one."""

    model: str
    compatible: tuple[str, ...]


def read_hardware(blob: bytes) -> Hardware:
    """Raises Malformed for what is no device tree, or is cut off before its first child."""
    if len(blob) < 40 or struct.unpack_from(">I", blob)[0] != _MAGIC:
        raise Malformed("device tree", 0, f"{_MAGIC:#x}", blob[:4].hex() or "nothing")
    total, at, strings = struct.unpack_from(">III", blob, 4)
    if total > len(blob) or at >= total or strings >= total:
        raise Malformed("device tree", 4, f"at most {len(blob)} bytes", str(total))
    found: dict[bytes, bytes] = {}
    depth = 0
    for _ in range(_MOST_TOKENS):
        if at + 4 > total:
            raise Malformed("device tree", at, "a token", "the end")
        token = struct.unpack_from(">I", blob, at)[0]
        at += 4
        if token == _BEGIN_NODE and depth == 0:
            depth = 1
            at = _aligned(_end_of_string(blob, at, total))
        elif token == _PROPERTY and depth == 1:
            if at + 8 > total:
                raise Malformed("device tree", at, "a property", "the end")
            length, name = struct.unpack_from(">II", blob, at)
            if at + 8 + length > total or strings + name >= total:
                raise Malformed("device tree", at, "a property within the tree", f"{length} bytes, name at {name}")
            found[blob[strings + name : _end_of_string(blob, strings + name, total) - 1]] = blob[at + 8 :][:length]
            at = _aligned(at + 8 + length)
        elif token != _NOP:
            break  # a child, or the end of the node
    if not depth:
        raise Malformed("device tree", at, "a root node", "none")
    model = _texts(found.get(b"model", b""))
    return Hardware(model[0] if model else "", _texts(found.get(b"compatible", b"")))


def _texts(value: bytes) -> tuple[str, ...]:
    return tuple(text.decode(errors="replace") for text in value.split(b"\0") if text)


def _end_of_string(blob: bytes, at: int, total: int) -> int:
    end = blob.find(b"\0", at, total)
    if end < 0:
        raise Malformed("device tree", at, "a string", "one without an end")
    return end + 1


def _aligned(at: int) -> int:
    return (at + 3) & ~3
