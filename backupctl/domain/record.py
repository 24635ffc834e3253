"""The record of a capture: what `record.json` says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from backupctl.domain.ranges import Ranges

GOOD, PARTIAL, DAMAGED = "good", "partial", "damaged"


def card_of(source: Mapping[str, Any]) -> str:
    """What tells a captured card from others: its serial, else its register (CID), else where it was."""
    found = ((key, source.get(key)) for key in ("serial", "cid", "path"))
    return next((f"{key} {value}" for key, value in found if isinstance(value, str) and value), "unknown")


@dataclass(frozen=True)
class Stream:
    """One byte stream of a capture. `digest`: see `share.contents.DigestOfCapture`."""

    number: int
    bytes: int
    lines: int  # of its contents file
    digest: str


@dataclass(frozen=True)
class StandaloneFile:
    """The whole card in one frame beside the record. `checksum`: XXH3-128 of its bytes as they are stored."""

    bytes: int
    checksum: str


@dataclass(frozen=True)
class MemberList:
    """The list of members beside the contents of a capture of files. `checksum`: XXH3-128 of the file, as stored."""

    lines: int
    bytes: int
    checksum: str


@dataclass(frozen=True)
class CardHead:
    """What a card needs to boot and no file holds, beside the contents of a capture of files.

    `ranges`: stretches of the card, half-open, in bytes; `bytes` and `checksum` (XXH3-128) of the file, as stored.
    """

    ranges: tuple[tuple[int, int], ...]
    bytes: int
    checksum: str


@dataclass(frozen=True)
class Guard:
    """What keeps a capture from being thinned out. `until`: RFC 3339; None: until it is taken off."""

    reason: str
    until: str | None = None


@dataclass(frozen=True)
class CaptureRecord:
    """All that is known of one capture. Times are RFC 3339 with the board's offset; sizes are bytes."""

    id: str
    board: str
    kind: str
    sequence: int
    source: dict[str, Any]  # path, model, serial, cid, sector size
    started: str
    finished: str
    zone: str
    clock_trusted: bool
    label: str | None
    state: str  # GOOD or PARTIAL; DAMAGED follows from verification, not from here
    streams: tuple[Stream, ...]
    in_use_bytes: int
    read_bytes: int
    written_bytes: int  # stored by this run: segments, tables, contents
    new_segments: int
    frozen_seconds: float | None
    layout: dict[str, Any]
    zeroed: tuple[tuple[int, int], ...]  # in use on the card, zero in the capture
    unreadable: tuple[tuple[int, int], ...]
    left_out: tuple[int, ...]  # partitions whose contents did not come along
    parts: tuple[str, ...]  # written by this run
    policy: dict[str, Any]
    warnings: tuple[str, ...]
    lock: str  # token
    by: str  # program and version
    standalone: StandaloneFile | None = None
    guard: Guard | None = None  # as the capture was taken; events may have taken it off, or put on another
    members: MemberList | None = None  # of kind `files`
    head: CardHead | None = None  # of kind `files`, of a whole board

    @property
    def lane(self) -> str:
        """Captures with the same one are counted together: their kind, and the card."""
        return f"{self.kind} of {card_of(self.source)}"

    @property
    def makes_a_card(self) -> bool:
        """Whether a card can be made of it: of some folders, none can."""
        return self.kind == "image" or self.head is not None

    @property
    def stream_bytes(self) -> int:
        return sum(stream.bytes for stream in self.streams)


def volumes_within(record: CaptureRecord, ranges: Ranges) -> list[str]:
    """Which volumes of the card `ranges` lie in, in words."""
    found = []
    for volume in record.layout.get("volumes") or []:
        ends = (volume.get("start"), volume.get("end")) if isinstance(volume, dict) else (None, None)
        if isinstance(ends[0], int) and isinstance(ends[1], int) and ranges.touches(ends[0], ends[1]):
            number = volume.get("partition")
            found.append(f"{'the card' if number is None else f'partition {number}'} ({volume.get('kind')})")
    return found or ["outside the partitions"]
