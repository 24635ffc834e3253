"""From stretches of a card to segments: read, hash, and compress what the shelf does not hold."""

from __future__ import annotations

import hashlib
import mmap
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import zstandard

from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import State
from backupctl.operations.capturing.reading import StretchReader
from backupctl.operations.capturing.renewal import Renewal
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import padded


@dataclass(slots=True)
class Segment:
    """What became of one stretch. `number`: the shelf holds the segment; `stored`: it may have to be written."""

    start: int
    length: int
    state: State
    hash: bytes = b""
    number: int = -1
    sha256: bytes = b""
    stored: bytes = b""
    read_bytes: int = 0
    unreadable: tuple[tuple[int, int], ...] = ()


Cell = tuple[int, int, bool]  # start, end, any data in it; see domain.card_map.cells


def runs_of(cells: Iterable[Cell], most: int) -> Iterator[tuple[Cell, ...]]:
    """Cells that follow each other on the card, at most `most` together: they are read in one go."""
    run: list[Cell] = []
    for cell in cells:
        if run and (run[-1][1] != cell[0] or len(run) == most):
            yield tuple(run)
            run = []
        run.append(cell)
    if run:
        yield tuple(run)


class SegmentMaker:
    """Hashes, and compresses what the shelf does not hold. `make` is called by several threads."""

    def __init__(
        self, index: SegmentIndex, hashing: Hashing, level: int, usual: int, renewal: Renewal | None = None
    ) -> None:
        """`usual`: the length of most segments, in bytes."""
        self._index = index
        self._hashing = hashing
        self._level = level
        self._renewal = renewal
        self._zeros = bytes(usual)
        self._hash_of_zeros = hashing.of(self._zeros)
        self._local = threading.local()

    def make(self, start: int, view: memoryview, unreadable: tuple[tuple[int, int], ...] = ()) -> Segment:
        """The segment that `view` is, from byte `start` of the stream on."""
        state = State.UNREADABLE if unreadable else State.DATA
        made = Segment(start, len(view), state, unreadable=unreadable)
        made.hash = self._hashing.of(view)
        if self._is_zero(view, made.hash):
            made.hash = b""
            made.state = State.UNREADABLE if unreadable else State.ZERO
            return made
        made.number = self._index.find(made.hash)
        if made.number < 0 or (self._renewal is not None and self._renewal.is_due(made.number)):
            made.sha256 = hashlib.sha256(view).digest()
            made.stored = padded(self._compressor().compress(view))
        return made

    def _compressor(self) -> zstandard.ZstdCompressor:
        found: zstandard.ZstdCompressor | None = getattr(self._local, "compressor", None)
        if found is None:
            # The frame's own checksum is what `zstd -t` and the shell script check.
            found = self._local.compressor = zstandard.ZstdCompressor(
                level=self._level, write_checksum=True, write_content_size=True
            )
        return found

    def _is_zero(self, view: memoryview, hash: bytes) -> bool:
        if len(view) == len(self._zeros):
            return hash == self._hash_of_zeros and view.tobytes() == self._zeros
        return view[0] == 0 and view.tobytes().count(0) == len(view)


class Segmenter:
    """`make` is called by several threads; each has its own memory."""

    def __init__(self, reader: StretchReader, maker: SegmentMaker) -> None:
        self._reader = reader
        self._maker = maker
        self._local = threading.local()

    def make(self, run: tuple[Cell, ...]) -> list[Segment]:
        """The segments of cells that follow each other."""
        start, end = run[0][0], run[-1][1]
        if not any(has_data for _, _, has_data in run):
            return [Segment(low, high - low, State.ZERO) for low, high, _ in run]
        made = []
        with memoryview(self._buffer(end - start))[: end - start] as view:
            read_bytes, unreadable = self._reader.read(start, view)
            bad = Ranges(unreadable)
            for low, high, _ in run:
                with view[low - start : high - start] as piece:
                    made.append(self._maker.make(low, piece, tuple(bad.within(low, high)) if bad else ()))
        made[0].read_bytes = read_bytes
        return made

    def _buffer(self, length: int) -> mmap.mmap:
        buffer: mmap.mmap | None = getattr(self._local, "buffer", None)
        if buffer is None or len(buffer) < length:
            buffer = self._local.buffer = mmap.mmap(-1, length)  # begins a page, as reading past the cache wants it
        return buffer
