"""A shelf with two captures of one card, made by the program, and its files read and altered without it."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import xxhash

from tests.card_images import mbr_card
from tests.program import backupctl


@dataclass(frozen=True)
class Row:
    """One segment of a part, as its table has it; places in bytes."""

    part: str
    hash: str
    sha256: str
    offset: int
    stored: int
    length: int


@dataclass(frozen=True)
class Made:
    """A share with one shelf. `states` are the restored bytes of its two captures, older first."""

    share: Path
    card: Path
    captures: tuple[str, str]
    states: tuple[Path, Path]

    @property
    def shelf(self) -> Path:
        return self.share / "boards" / "shed"

    def copy(self, folder: Path) -> Made:
        """The same on another share that may be damaged, with the card as it was last."""
        shutil.copytree(self.share, folder / "share")
        return Made(folder / "share", self.card, self.captures, self.states)

    def capture(self, *options: str, source: Path | None = None, code: int | None = 0) -> str:
        words: list[str | Path] = ["capture", "--board", "shed", "--source", source or self.card, "--json", *options]
        taken = backupctl(self.share, *words, code=code)
        return str(taken.json["id"]) if taken.out else ""

    def parts(self) -> list[Path]:
        """The largest first."""
        found = [p for p in (self.shelf / "stock").iterdir() if re.fullmatch(r"[0-9a-f]{20}\.zst", p.name)]
        return sorted(found, key=lambda path: -path.stat().st_size)

    def table_of(self, part: str) -> Path:
        return self.shelf / "stock" / f"{part}.table.zst"

    def rows(self) -> list[Row]:
        found = []
        for path in self.parts():
            part = path.name.removesuffix(".zst")
            for line in unpacked(self.table_of(part)).splitlines():
                if not line.startswith("#"):
                    hash, sha256, offset, stored, length = line.split("\t")
                    found.append(Row(part, hash, sha256, int(offset), int(stored), int(length)))
        return found

    def contents(self, capture: str) -> Path:
        return self.shelf / "captures" / capture / "contents.0.tsv.zst"

    def record(self, capture: str) -> Path:
        return self.shelf / "captures" / capture / "record.json"

    def places_of(self, capture: str) -> dict[str, tuple[int, int]]:
        """By hash, where in the stream a segment stands first."""
        found: dict[str, tuple[int, int]] = {}
        for line in unpacked(self.contents(capture)).splitlines():
            if not line.startswith("#"):
                offset, length, _, hash = line.split("\t")
                found.setdefault(hash, (int(offset), int(offset) + int(length)))
        return found

    def row_in_both(self) -> Row:
        """A segment, from the middle of the first part, that both captures need."""
        both = self.places_of(self.captures[0]).keys() & self.places_of(self.captures[1]).keys()
        first = self.parts()[0].name.removesuffix(".zst")
        shared = [row for row in self.rows() if row.hash in both and row.part == first]
        return shared[len(shared) // 2]


def make(folder: Path) -> Made:
    card = mbr_card(folder).path
    share = folder / "share"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    made = Made(share, card, ("", ""), (folder / "then.img", folder / "now.img"))
    first = made.capture("--label", "before")
    with card.open("r+b") as file:  # behind the last partition
        file.seek(-5000, 2)
        file.write(random.Random(9).randbytes(4000))
    second = made.capture()
    for name, state in zip((first, second), made.states, strict=True):
        backupctl(share, "restore", name, state)
    assert made.states[0].read_bytes() != made.states[1].read_bytes()
    return Made(share, card, (first, second), made.states)


def unpacked(path: Path) -> str:
    return subprocess.run(["zstd", "-dcq", str(path)], stdout=subprocess.PIPE, check=True).stdout.decode()


def pack(path: Path, text: str | bytes) -> None:
    data = text.encode() if isinstance(text, str) else text
    path.write_bytes(subprocess.run(["zstd", "-qc", "--check"], input=data, stdout=subprocess.PIPE, check=True).stdout)


def resealed(text: str) -> str:
    """A table's or a contents' text with the checksum in its last line made right again."""
    lines = text.splitlines(keepends=True)
    *fields, _ = lines[-1].rstrip("\n").split("\t")
    own = xxhash.xxh3_128_hexdigest("".join(lines[:-1]).encode())
    return "".join(lines[:-1]) + "\t".join([*fields, own]) + "\n"


def resealed_json(text: str) -> str:
    """A record or a mark with its checksum made right again."""
    body = text[: text.rindex(',\n  "checksum": "')]
    return f'{body},\n  "checksum": "{xxhash.xxh3_128_hexdigest(body.encode())}"\n}}\n'


def flip(path: Path, at: int, bit: int = 0) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)[0]
        file.seek(at)
        file.write(bytes([byte ^ 1 << bit]))
