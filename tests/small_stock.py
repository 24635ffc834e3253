"""Shelves of a few segments, written straight into a folder, and what stands on them in dictionaries and sets."""

from __future__ import annotations

import hashlib
import random
from dataclasses import dataclass, field
from pathlib import Path

import zstandard

from backupctl.domain.events import History
from backupctl.domain.segments import Entry, State
from backupctl.share.contents import contents_name, write_contents
from backupctl.share.hashing import Hashing
from backupctl.share.marks import ShelfMark
from backupctl.share.parts import PartWriter, padded, part_name
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage, write_whole
from backupctl.share.tables import table_name

HASHING = Hashing("xxh3-128", 7)
LENGTH = 64


def segment(number: int) -> bytes:
    return random.Random(number).randbytes(LENGTH)


def capture_name(number: int, kind: str = "image") -> str:
    return f"20270101T{number // 3600:02}{number // 60 % 60:02}{number % 60:02}Z-{kind}-0a1b2c"


def part_of(number: int) -> str:
    """The name of a part; names are in another order than numbers."""
    return hashlib.sha256(str(number).encode()).hexdigest()[:20]


@dataclass
class SmallStock:
    """`parts`: by name, (segment, stored bytes) in order of place. `held`: by capture, the segments it refers to."""

    folder: Path
    parts: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    held: dict[str, set[int]] = field(default_factory=dict)
    history: History = field(default_factory=History)

    def __post_init__(self) -> None:
        self.storage = FolderStorage(self.folder)
        self.shelf = Shelf(self.storage, ShelfMark("5d" * 16, "5e" * 16, "shed", True, HASHING), self.folder)
        for name in ("stock", "captures"):
            self.storage.make_folder(name)

    def add_part(self, part: str, segments: list[int], confirmed: int | None = None) -> None:
        """`confirmed`: by the event of this sequence."""
        writer = PartWriter(self.storage, self.shelf.mark, part)
        compressor = zstandard.ZstdCompressor(write_checksum=True)
        for number in segments:
            content = segment(number)
            stored = padded(compressor.compress(content))
            writer.add(HASHING.of(content), hashlib.sha256(content).digest(), LENGTH, stored)
            self.parts.setdefault(part, []).append((number, len(stored)))
        self.parts.setdefault(part, [])
        writer.finish()
        if confirmed is not None:
            self.history.confirmed_parts[part] = confirmed

    def add_capture(self, capture: str, segments: list[int], record: bool = True) -> None:
        """Segments in the order of the stream, after some that are zero. Its record is one that cannot be read."""
        self.storage.make_folder(f"captures/{capture}")
        entries = [Entry(0, LENGTH, State.ZERO, b"")]
        entries += [
            Entry(place * LENGTH, LENGTH, State.DATA, HASHING.of(segment(number)))
            for place, number in enumerate(segments, 1)
        ]
        write_contents(self.storage, self.shelf.mark, capture, (len(segments) + 1) * LENGTH, entries)
        if record:
            write_whole(self.storage, f"captures/{capture}/record.json", b"{}")
        self.held[capture] = set(segments)

    def cut_part(self, part: str, keep: int) -> None:
        """Truncates a part after `keep` segments and a half of the next one."""
        rows = self.parts[part]
        end = 512 + sum(stored for _, stored in rows[:keep]) + (rows[keep][1] // 2 if keep < len(rows) else 0)
        with (self.folder / part_name(part)).open("r+b") as file:
            file.truncate(end)
        self.parts[part] = rows[:keep]

    def lose_table(self, part: str) -> None:
        (self.folder / table_name(part)).unlink()

    def cut_table(self, part: str) -> None:
        path = self.folder / table_name(part)
        path.write_bytes(path.read_bytes()[:-9])

    def damage_copy(self, part: str, number: int) -> None:
        """As the manifest knows it; the bytes are as ever."""
        self.history.damaged_copies.add((part, HASHING.of(segment(number)).hex()))

    def cut_contents(self, capture: str) -> None:
        path = self.folder / contents_name(capture)
        path.write_bytes(path.read_bytes()[:-7])
