"""A whole card as one zstd frame beside the record, for any tool: `zstd -d` turns it into the card."""

from __future__ import annotations

import zstandard

from backupctl.domain.events import History
from backupctl.domain.segments import SEGMENTS_AT_ONCE, Entry
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Stop
from backupctl.operations.stitching import SegmentReader, Stretch, stream_of
from backupctl.share.shelf import Shelf

_ZEROS = bytes(1 << 20)


def standalone_name(capture: str) -> str:
    return f"captures/{capture}/{capture}.img.zst"


def write_standalone(shelf: Shelf, capture: str, history: History, level: int, workers: int, stop: Stop) -> int:
    """Writes the file from the segments on the shelf; its size in bytes. Raises OSError, Damaged."""
    stream_bytes, index, stretches = stream_of(shelf, history, capture, lambda _: None)
    compressor = zstandard.ZstdCompressor(level=level, write_checksum=True).compressobj(size=stream_bytes)
    sink = shelf.storage.create(standalone_name(capture))
    written = 0

    def put(data: bytes) -> None:
        nonlocal written
        sink.write(data)
        written += len(data)

    try:
        with SegmentReader(shelf, history) as reader:

            def read(stretch: Stretch) -> tuple[Entry, bytes]:
                return stretch.entry, reader.read(stretch.place, stretch.entry.hash) if stretch.place else b""

            at = 0
            for entry, content in in_order(stretches, read, workers, SEGMENTS_AT_ONCE):
                stop.check()
                for gap in _zeros(entry.offset - at):
                    put(compressor.compress(gap))
                for piece in [content] if content else _zeros(entry.length):
                    put(compressor.compress(piece))
                at = entry.offset + entry.length
            for gap in _zeros(stream_bytes - at):
                put(compressor.compress(gap))
        put(compressor.flush())
        sink.sync()
    finally:
        sink.close()
        index.close()
    return written


def _zeros(count: int) -> list[memoryview]:
    whole = memoryview(_ZEROS)
    return [whole] * (count // len(_ZEROS)) + ([whole[: count % len(_ZEROS)]] if count % len(_ZEROS) else [])
