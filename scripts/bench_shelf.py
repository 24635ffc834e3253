"""Builds the shelf that `scripts/bench` measures `cost` and `thin` on: more than a year of nightly captures.

It stands for a card of 64 GB with 60 000 segments in use, of which each night some stretches that change nearly every
night and some lines all over the card are other than the night before; a few come, and a few go. Everything on it is
as the program writes it, but for what is in the segments: a few bytes instead of 256 KiB, so that it is quickly made.
"""

from __future__ import annotations

import hashlib
import random
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, cast

import zstandard
from bench_cache import built

from backupctl.domain.events import Event
from backupctl.domain.record import GOOD, CaptureRecord, Stream
from backupctl.domain.segments import PART_SEGMENTS, SEGMENT_BYTES, Entry, State
from backupctl.share.captures import commit
from backupctl.share.contents import write_contents
from backupctl.share.lock import Lock
from backupctl.share.manifest import append_event, fold_old_events
from backupctl.share.parts import PartWriter, padded
from backupctl.share.shelf import Shelf, adopt_share, make_shelf

# A new number makes a new shelf; raise it with any change to what is built.
RECIPE = 1
BOARD = "bench"
CAPTURES = 400
LINES = 60_000
CARD_BYTES = 64_000_000_000 // SEGMENT_BYTES * SEGMENT_BYTES
CHANGED_TOGETHER = 600  # lines each night, in stretches of churn
STRETCH = 30
CHANGED_APART = 600
COME_AND_GO = 30
_FIRST_NIGHT = datetime.fromisoformat("2024-01-01T03:00:00+00:00")


def build(cache: Path) -> Path:
    """The share that the shelf stands on; from the cache if it is there whole. Raises OSError."""
    return built(cache / f"shelf-{RECIPE}", _make)


def _make(share: Path) -> None:
    share.mkdir()
    adopt_share(share, same_machine=True, made=_FIRST_NIGHT.isoformat())
    _Nights(make_shelf(share, BOARD, "xxh3-128", _FIRST_NIGHT.isoformat())).take(CAPTURES)


class _Held:
    """Stands for the lock of a run; nobody else is about."""

    def check(self) -> None:
        pass


class _Nights:
    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._random = random.Random(RECIPE)
        places = self._random.sample(range(CARD_BYTES // SEGMENT_BYTES), LINES)
        self._content = {place: (place, 0) for place in sorted(places)}  # by stretch of the card
        starts = range(0, LINES - STRETCH, LINES // (2 * CHANGED_TOGETHER // STRETCH))
        in_order = sorted(places)
        self._churn = [in_order[start : start + STRETCH] for start in starts]
        self._hashes: dict[tuple[int, int], bytes] = {}
        self._sequence = 0
        self._unconfirmed: list[str] = []

    def take(self, nights: int) -> None:
        self._capture(0, set(), set(self._content))
        for night in range(1, nights):
            self._capture(night, *self._change(night))
            fold_old_events(self._shelf.storage)

    def _change(self, night: int) -> tuple[set[int], set[int]]:
        """The stretches of the card that are other than yesterday: those of the churn, and all others."""
        chance, content = self._random, self._content
        churn = {place for run in chance.sample(self._churn, CHANGED_TOGETHER // STRETCH) for place in run}
        for gone in chance.sample(sorted(content.keys() - churn), COME_AND_GO):
            del content[gone]
        apart = set(chance.sample(sorted(content), CHANGED_APART)) - churn
        while len(content) + len(apart - content.keys()) < LINES:
            apart.add(chance.randrange(CARD_BYTES // SEGMENT_BYTES))
        churn &= content.keys()
        content.update({place: (place, night) for place in churn | apart})
        return churn, apart

    def _capture(self, night: int, churn: set[int], apart: set[int]) -> None:
        at = _FIRST_NIGHT + timedelta(days=night)
        id = f"{at:%Y%m%dT%H%M%SZ}-image-{night:06x}"
        parts = [part for places in (churn, apart) for part in self._write_parts(sorted(places))]
        storage = self._shelf.storage
        storage.make_folder(f"captures/{id}")
        entries = (
            Entry(place * SEGMENT_BYTES, SEGMENT_BYTES, State.DATA, self._hashes[content])
            for place, content in sorted(self._content.items())
        )
        lines, stored = write_contents(storage, self._shelf.mark, id, CARD_BYTES, entries)
        self._hashes = {content: self._hashes[content] for content in self._content.values()}
        self._event("confirmed", at, {"confirmed_parts": self._unconfirmed})
        self._unconfirmed = parts
        written = stored + sum(storage.size(f"stock/{part}.zst") or 0 for part in parts)
        record = CaptureRecord(
            id=id, board=BOARD, kind="image", sequence=self._sequence, source={"path": "/dev/mmcblk0"},
            started=at.isoformat(), finished=(at + timedelta(minutes=2)).isoformat(), zone="Europe/Berlin",
            clock_trusted=True, label=None, state=GOOD, streams=(Stream(0, CARD_BYTES, lines, "00" * 32),),
            in_use_bytes=lines * SEGMENT_BYTES, read_bytes=lines * SEGMENT_BYTES, written_bytes=written,
            new_segments=len(churn | apart), frozen_seconds=None, layout={"volumes": []}, zeroed=(), unreadable=(),
            left_out=(), parts=tuple(parts), policy={"name": "standard"}, warnings=(), lock="bench", by="bench",
        )  # fmt: skip
        commit(storage, self._shelf.mark, cast(Lock, _Held()), record, set(parts))
        self._event("captured", at, {"capture": id, "state": GOOD, "written_bytes": written})

    def _write_parts(self, places: list[int]) -> list[str]:
        compressor = zstandard.ZstdCompressor(write_checksum=True)
        parts = []
        for start in range(0, len(places), PART_SEGMENTS):
            part = f"{self._random.getrandbits(80):020x}"
            writer = PartWriter(self._shelf.storage, self._shelf.mark, part)
            for place in places[start : start + PART_SEGMENTS]:
                content = repr(self._content[place]).encode()
                hash = self._hashes[self._content[place]] = self._shelf.mark.hashing.of(content)
                writer.add(hash, hashlib.sha256(content).digest(), len(content), padded(compressor.compress(content)))
            writer.finish()
            parts.append(part)
        return parts

    def _event(self, kind: str, at: datetime, body: dict[str, Any]) -> None:
        self._sequence += 1
        token = f"{self._random.getrandbits(32):08x}"
        event = Event(self._sequence, token, kind, at.isoformat(), True, {"host": BOARD}, body)
        append_event(self._shelf.storage, event)
