"""Frames of RFC 8878: skippable frames, and where a frame ends without decoding it.

Source: Zstandard Compression Format (the text of RFC 8878), "Frames", "Blocks", "Skippable Frames".
"""

from __future__ import annotations

import struct

import zstandard

from backupctl.domain.errors import Malformed

MAGIC = 0xFD2FB528
SKIPPABLE_FIRST, SKIPPABLE_LAST = 0x184D2A50, 0x184D2A5F
_HEADER_MOST = 18
_BLOCK_MOST = 128 << 10


def skippable(magic: int, content: bytes) -> bytes:
    """A skippable frame around `content`."""
    if not SKIPPABLE_FIRST <= magic <= SKIPPABLE_LAST:
        raise ValueError(f"not the magic number of a skippable frame: {magic:#x}")
    return struct.pack("<II", magic, len(content)) + content


def frame_length(data: bytes | memoryview, structure: str, base: int = 0) -> int:
    """The length in bytes of the frame (zstd or skippable) at the start of `data`, its checksum included.

    `structure` and `base` (the place of `data` there) are for the message. Raises Malformed, also if the frame goes
    on beyond the end of `data`.
    """
    if len(data) < 8:
        raise Malformed(structure, base, "a frame", f"{len(data)} bytes")
    magic, size = struct.unpack_from("<II", data)
    if SKIPPABLE_FIRST <= magic <= SKIPPABLE_LAST:
        at = 8 + int(size)
        if at > len(data):
            raise Malformed(structure, base, f"a skippable frame of {at} bytes", f"{len(data)} bytes")
        return at
    if magic != MAGIC:
        raise Malformed(structure, base, f"the magic number {MAGIC:#x}", f"{magic:#x}")
    try:
        at = zstandard.frame_header_size(bytes(data[:_HEADER_MOST]))
        checksum = 4 if zstandard.get_frame_parameters(bytes(data[:_HEADER_MOST])).has_checksum else 0
    except zstandard.ZstdError as error:
        raise Malformed(structure, base, "a frame header", str(error)) from None
    while True:
        if at + 3 > len(data):
            raise Malformed(structure, base + at, "a block header", "the end")
        header = int.from_bytes(data[at : at + 3], "little")
        last, kind, length = header & 1, header >> 1 & 3, header >> 3
        if kind == 3 or length > _BLOCK_MOST:
            raise Malformed(structure, base + at, "a block", f"type {kind}, {length} bytes")
        at += 3 + (1 if kind == 1 else length)
        if last:
            break
    if at + checksum > len(data):
        raise Malformed(structure, base, f"a frame of {at + checksum} bytes", f"{len(data)} bytes")
    return at + checksum


def decode(frame: bytes | memoryview, length: int, structure: str, base: int = 0) -> bytes:
    """The content of the one frame at the start of `frame`, which must say that it is `length` bytes long.

    The claim is checked before memory is taken. Raises Malformed; zstd checks the frame's own checksum.
    """
    head = bytes(frame[:_HEADER_MOST])
    try:
        claimed = zstandard.get_frame_parameters(head).content_size
        if claimed != length:
            raise Malformed(structure, base, f"a frame of {length} bytes of content", f"a claim of {claimed}")
        return zstandard.ZstdDecompressor().decompress(frame, max_output_size=length, allow_extra_data=True)
    except zstandard.ZstdError as error:
        raise Malformed(structure, base, "an intact frame", str(error)) from None
