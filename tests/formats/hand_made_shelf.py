"""A shelf written by hand from the text of the format, with the `zstd` program: it shares no code with the package."""

from __future__ import annotations

import hashlib
import json
import random
import struct
import subprocess
from pathlib import Path

import xxhash

SHELF = "5d" * 16
CAPTURE = "20260302T031500Z-image-0a1b2c"
SEED = 0x1122334455667788


def zstd(data: bytes) -> bytes:
    """One frame with content size and checksum."""
    sized = f"--stream-size={len(data)}"
    return subprocess.run(
        ["zstd", "-qc", "-3", "--check", sized], input=data, stdout=subprocess.PIPE, check=True
    ).stdout


def skippable(magic: int, content: bytes) -> bytes:
    """RFC 8878, section 3.1.2."""
    return struct.pack("<II", magic, len(content)) + content


def xxh3(data: bytes, seed: int = 0) -> str:
    return xxhash.xxh3_128_hexdigest(data, seed=seed)


def noise(length: int, seed: int) -> bytes:
    return random.Random(seed).randbytes(length)


class HandMadeShelf:
    def __init__(self, folder: Path, hash_name: str = "xxh3-128") -> None:
        self.folder = folder
        self.hash_name = hash_name
        self.stock = folder / "stock"
        self.capture = folder / "captures" / CAPTURE
        self.stock.mkdir(parents=True)
        self.capture.mkdir(parents=True)
        (self.capture / "record.json").write_text("{}")

    def hash(self, data: bytes) -> str:
        return hashlib.sha256(data).hexdigest() if self.hash_name == "sha256" else xxh3(data, SEED)

    def head(self, part: str) -> bytes:
        text = json.dumps({"backupctl": "part", "format": 1, "shelf": SHELF, "part": part})
        return skippable(0x184D2A5B, text.encode().ljust(504))

    def add_part(self, part: str, segments: list[bytes]) -> list[tuple[str, int, int, int]]:
        """Writes the part and its table; the rows as (hash, offset, stored, length)."""
        out = bytearray(self.head(part))
        rows = []
        for segment in segments:
            frame = zstd(segment)
            gap = -(len(frame) + 8) % 512
            rows.append((segment, len(out), len(frame) + 8 + gap))
            out += frame + skippable(0x184D2A50, bytes(gap))
        (self.stock / f"{part}.zst").write_bytes(out)
        lines = [
            f"{self.hash(segment)}\t{hashlib.sha256(segment).hexdigest()}\t{offset}\t{stored}\t{len(segment)}"
            for segment, offset, stored in rows
        ]
        self.write_table(part, lines, part_bytes=bytes(out))
        return [(self.hash(segment), offset, stored, len(segment)) for segment, offset, stored in rows]

    def write_table(
        self, part: str, lines: list[str], part_bytes: bytes = b"", end: bool = True, header: str | None = None
    ) -> None:
        first = f"#backupctl table\t1\t{SHELF}\t{part}\t{self.hash_name}" if header is None else header
        text = "\n".join([first, *lines]) + "\n"
        if end:
            text += f"#end\t{len(lines)}\t{len(part_bytes)}\t{xxh3(part_bytes)}\t{xxh3(text.encode())}\n"
        (self.stock / f"{part}.table.zst").write_bytes(zstd(text.encode()))

    def write_contents(
        self, length: int, lines: list[str], end: bool = True, header: str | None = None, count: int | None = None
    ) -> None:
        first = (
            f"#backupctl contents\t1\t{SHELF}\t{CAPTURE}\t0\t{self.hash_name}\t{length}" if header is None else header
        )
        text = "\n".join([first, *lines]) + "\n"
        if end:
            text += f"#end\t{len(lines) if count is None else count}\t{xxh3(text.encode())}\n"
        (self.capture / "contents.0.tsv.zst").write_bytes(zstd(text.encode()))

    def line(self, offset: int, segment: bytes, state: str = "data") -> str:
        return f"{offset}\t{len(segment)}\t{state}\t{self.hash(segment)}"
