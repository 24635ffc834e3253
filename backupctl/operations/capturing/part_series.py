"""Writing new segments into parts, on a thread of its own, in bounded steps.

Two series a run: segments at places that changed last time as well (churn), and the rest (stable). Captures are thinned
by age, so segments that live equally long should stand together: then whole parts die, and little has to be moved.
"""

from __future__ import annotations

import secrets
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from backupctl.domain.segments import PART_BYTES, PART_SEGMENTS
from backupctl.share.marks import ShelfMark
from backupctl.share.parts import PartWriter
from backupctl.share.storage import Storage
from backupctl.share.tables import PartSum

STABLE, CHURN = 0, 1
_WAITING_MOST = 32  # segments between the one who makes them and the one who writes them


@dataclass(frozen=True, slots=True)
class _Item:
    part: str
    series: int
    hash: bytes
    sha256: bytes
    length: int
    stored: bytes


class PartSeries:
    """Takes segments from one thread and writes them on another. What goes wrong there comes out at `add` or `finish`.

    After an error everything since the last good sync counts as lost, however well later calls do.
    """

    def __init__(self, storage: Storage, mark: ShelfMark, sync_every: int, part_bytes: int = PART_BYTES) -> None:
        self._storage = storage
        self._mark = mark
        self._sync_every = sync_every
        self._part_bytes = part_bytes
        self._names: list[str | None] = [None, None]
        self._sizes = [0, 0]
        self._counts = [0, 0]
        self._writers: dict[int, PartWriter] = {}
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="writer")
        self._waiting: deque[Future[None]] = deque()
        self._broken = False
        self.sums: dict[str, PartSum] = {}
        self.written = 0

    def add(self, series: int, hash: bytes, sha256: bytes, length: int, stored: bytes) -> str:
        """Hands one segment over; the name of the part that it goes to. Raises OSError of an earlier write."""
        self._wait(_WAITING_MOST)
        name = self._names[series]
        full = self._sizes[series] + len(stored) > self._part_bytes or self._counts[series] == PART_SEGMENTS
        if name is None or full:
            name = self._names[series] = secrets.token_hex(10)
            self._sizes[series], self._counts[series] = 512, 0
        self._sizes[series] += len(stored)
        self._counts[series] += 1
        item = _Item(name, series, hash, sha256, length, stored)
        self._waiting.append(self._pool.submit(self._write, item))
        return name

    def _wait(self, most: int) -> None:
        """Until at most `most` writes are under way. Raises what went wrong with those that have ended."""
        while self._waiting and (len(self._waiting) > most or self._waiting[0].done()):
            self._waiting.popleft().result()

    def finish(self) -> dict[str, PartSum]:
        """Waits until all is on stable storage, tables included; what was written, by part. Raises OSError."""
        try:
            self._wait(0)
            for series in sorted(self._writers):
                writer = self._writers[series]
                self.sums[writer.part] = writer.finish()
        finally:
            self.abandon()
        return self.sums

    def abandon(self) -> None:
        """Ends the thread and leaves the open parts, which have no tables yet, for the next run to salvage."""
        self._pool.shutdown(cancel_futures=True)
        for writer in self._writers.values():
            writer.abandon()

    def _write(self, item: _Item) -> None:
        if self._broken:
            return
        self._broken = True  # unless all of this goes well
        writer = self._writers.get(item.series)
        if writer is not None and writer.part != item.part:
            self.sums[writer.part] = writer.finish()
            writer = None
        if writer is None:
            writer = self._writers[item.series] = PartWriter(self._storage, self._mark, item.part)
            self._storage.sync_folder("stock")
        writer.add(item.hash, item.sha256, item.length, item.stored)
        self.written += len(item.stored)
        if sum(open_part.unsynced for open_part in self._writers.values()) >= self._sync_every:
            for open_part in self._writers.values():
                open_part.sync()
        self._broken = False
