"""From stretches of a card to segments: read, hash, and compress what the shelf does not hold."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import dataclass

import zstandard

from backupctl.domain.segments import State
from backupctl.operations.reading import StretchReader
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import padded


@dataclass(slots=True)
class Segment:
    """What became of one stretch. `number`: the shelf holds the segment; `stored`: it has to be written."""

    start: int
    length: int
    state: State
    hash: bytes = b""
    number: int = -1
    sha256: bytes = b""
    stored: bytes = b""
    read_bytes: int = 0
    unreadable: tuple[tuple[int, int], ...] = ()


class Segmenter:
    """`make` is called by several threads; each has its own memory and compressor."""

    def __init__(
        self, reader: StretchReader, index: SegmentIndex, hashing: Hashing, level: int, segment_bytes: int
    ) -> None:
        self._reader = reader
        self._index = index
        self._hashing = hashing
        self._level = level
        self._segment_bytes = segment_bytes
        self._zeros = bytes(segment_bytes)
        self._hash_of_zeros = {segment_bytes: hashing.of(self._zeros)}
        self._local = threading.local()

    def make(self, stretch: tuple[int, int, bool]) -> Segment:
        """For a stretch `(start, end, any data in it)` of at most the segment size."""
        start, end, has_data = stretch
        length = end - start
        if not has_data:
            return Segment(start, length, State.ZERO)
        buffer: bytearray | None = getattr(self._local, "buffer", None)
        if buffer is None:
            buffer = self._local.buffer = bytearray(self._segment_bytes)
            # The frame's own checksum is what `zstd -t` and the shell script check.
            self._local.compressor = zstandard.ZstdCompressor(
                level=self._level, write_checksum=True, write_content_size=True
            )
        with memoryview(buffer)[:length] as view:
            read_bytes, unreadable = self._reader.read(start, view)
            made = Segment(start, length, State.UNREADABLE if unreadable else State.DATA)
            made.read_bytes, made.unreadable = read_bytes, tuple(unreadable)
            hash = self._hashing.of(view)
            if hash == self._zero_hash(length) and view.tobytes() == self._zeros[:length]:
                made.state = State.UNREADABLE if unreadable else State.ZERO
                return made
            made.hash = hash
            made.number = self._index.find(hash)
            if made.number < 0:
                made.sha256 = hashlib.sha256(view).digest()
                made.stored = padded(self._local.compressor.compress(view))
        return made

    def _zero_hash(self, length: int) -> bytes:
        found = self._hash_of_zeros.get(length)
        if found is None:
            found = self._hash_of_zeros[length] = self._hashing.of(self._zeros[:length])
        return found
