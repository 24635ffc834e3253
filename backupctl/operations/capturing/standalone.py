"""A whole card as one zstd frame beside the record, for any tool: `zstd -d` turns it into the card."""

from __future__ import annotations

import xxhash
import zstandard

from backupctl.domain.errors import BackupctlError
from backupctl.domain.events import History
from backupctl.domain.policy import StorePolicy
from backupctl.domain.record import StandaloneFile
from backupctl.domain.segments import SEGMENTS_AT_ONCE, Entry
from backupctl.operations.capturing.confirming import checksum_of
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Stop
from backupctl.operations.restoring.stitching import SegmentReader, Stretch, stream_of
from backupctl.share.shelf import Shelf

_ZEROS = bytes(1 << 20)


def standalone_name(capture: str) -> str:
    """Its ending says what is in it: nobody is to put an archive on a card."""
    return f"captures/{capture}/{capture}.{'tar' if '-files-' in capture else 'img'}.zst"


def write_standalone(
    shelf: Shelf, capture: str, history: History, store: StorePolicy, workers: int, stop: Stop
) -> StandaloneFile:
    """Writes the file from the segments on the shelf, and reads it back if `store` says so.

    Raises OSError, Damaged, BackupctlError where the share gives back other bytes.
    """
    stream_bytes, index, stretches = stream_of(shelf, history, capture, lambda _: None)
    compressor = zstandard.ZstdCompressor(level=store.level, write_checksum=True).compressobj(size=stream_bytes)
    sink = shelf.storage.create(standalone_name(capture))
    written, checksum = 0, xxhash.xxh3_128()

    def put(data: bytes) -> None:
        nonlocal written
        sink.write(data)
        checksum.update(data)
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
    made = StandaloneFile(written, checksum.hexdigest())
    if store.read_back and checksum_of(shelf, standalone_name(capture), made.bytes, stop) != made.checksum:
        raise BackupctlError(
            "the share gives back another standalone file than was written",
            "Nothing older is hurt. Look at the NAS: its disks, its memory, its log. Then try again.",
        )
    return made


def _zeros(count: int) -> list[memoryview]:
    whole = memoryview(_ZEROS)
    return [whole] * (count // len(_ZEROS)) + ([whole[: count % len(_ZEROS)]] if count % len(_ZEROS) else [])
