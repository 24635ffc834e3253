"""What a card needs to boot and no file holds, beside the contents of a capture of files: `captures/<id>/head.zst`.

The stretches that the record lists, one after the other, as one zstd frame: so `zstd -dc` and `dd` bring them back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

import xxhash
import zstandard

from backupctl.domain.errors import Damaged
from backupctl.domain.record import CaptureRecord, CardHead
from backupctl.share.storage import Storage

HEAD_MOST = 64 << 20  # bytes, of all stretches together
_STORED_MOST = HEAD_MOST + (HEAD_MOST >> 4)  # of bytes that do not compress, with zstd's own


def head_name(capture: str) -> str:
    return f"captures/{capture}/head.zst"


def write_head(
    storage: Storage, capture: str, ranges: tuple[tuple[int, int], ...], pieces: Iterable[bytes]
) -> CardHead:
    """`pieces`: the bytes of `ranges`, in order. Raises OSError; ValueError for more than `HEAD_MOST` bytes."""
    if sum(end - start for start, end in ranges) > HEAD_MOST:
        raise ValueError("a head is small")
    compressor = zstandard.ZstdCompressor(level=9, write_checksum=True).compressobj()
    stored, checksum = 0, xxhash.xxh3_128()
    sink = storage.create(head_name(capture))
    try:
        for piece in chain(pieces, (None,)):
            data = compressor.flush() if piece is None else compressor.compress(piece)
            sink.write(data)
            checksum.update(data)
            stored += len(data)
        sink.sync()
    finally:
        sink.close()
    return CardHead(ranges, stored, checksum.hexdigest())


def read_head(storage: Storage, record: CaptureRecord) -> Iterator[tuple[int, bytes]]:
    """`(offset on the card, bytes)`, ascending. Raises Damaged for other bytes than the record tells of, OSError."""
    said = record.head
    if said is None:
        return
    length = sum(end - start for start, end in said.ranges)
    stored = storage.read(head_name(record.id), _STORED_MOST)
    if len(stored) != said.bytes or xxhash.xxh3_128(stored).hexdigest() != said.checksum or length > HEAD_MOST:
        raise Damaged(
            f"{head_name(record.id)} holds other bytes than were written",
            "Its files are not hurt: `backupctl pick` and `backupctl restore ID FOLDER` bring them back.",
        )
    try:
        content = zstandard.ZstdDecompressor().stream_reader(stored).read(length + 1)
    except zstandard.ZstdError as error:
        raise Damaged(f"{head_name(record.id)} cannot be decompressed: {error}") from None
    if len(content) != length:
        raise Damaged(f"{head_name(record.id)} holds {len(content)} bytes, and {length} were written")
    at = 0
    for start, end in said.ranges:
        yield start, content[at : at + end - start]
        at += end - start
