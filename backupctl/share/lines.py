"""Compressed text on a shelf, line by line and within bounds: a frame may claim, and hold, anything."""

from __future__ import annotations

import errno
import io
from collections.abc import Iterator

import zstandard

from backupctl.domain.errors import Malformed
from backupctl.share.storage import Storage

_READ = 128 << 10
_LINE_MOST = 4096
_WINDOW_MOST = 8 << 20  # what a decoder should support, by the format's text


def lines_of(storage: Storage, name: str) -> Iterator[bytes]:
    """The lines of a text in one zstd frame, without their line ends.

    Raises Malformed if it is not one whole intact frame of lines of at most 4096 bytes, or the server's disk gives an
    error for it; OSError if the share itself is in trouble.
    """
    rest = b""  # of a line, at the end of a step
    for step in _steps_of(storage, name):
        text = io.BytesIO(rest + step)
        rest = b""
        for line in text:
            if len(line) > _LINE_MOST:
                raise Malformed(name, 0, f"lines of at most {_LINE_MOST} bytes", "a longer one")
            if line.endswith(b"\n"):
                yield line[:-1]
            else:
                rest = line
    if rest:
        raise Malformed(name, 0, "a line end at the end", repr(rest[-40:]))


def text_of(storage: Storage, name: str, most: int) -> bytes:
    """The whole of such a text, of at most `most` bytes. Raises as `lines_of` does, though not for every long line."""
    steps: list[bytes] = []
    size = 0
    for step in _steps_of(storage, name):
        steps.append(step)
        size += len(step)
        if size > most:
            raise Malformed(name, 0, f"a text of at most {most} bytes", "a longer one")
    text = b"".join(steps)
    if any(text.find(b"\n", at, at + _LINE_MOST) < 0 for at in range(0, len(text) - _LINE_MOST, _LINE_MOST)):
        raise Malformed(name, 0, f"lines of at most {_LINE_MOST} bytes", "a longer one")
    return text


def _steps_of(storage: Storage, name: str) -> Iterator[bytes]:
    try:
        yield from _decompressed(storage, name)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        raise Malformed(name, 0, "a file that can be read", str(error)) from None


def _decompressed(storage: Storage, name: str) -> Iterator[bytes]:
    decompressor = zstandard.ZstdDecompressor(max_window_size=_WINDOW_MOST).decompressobj()
    offset = 0
    with storage.open(name) as source:
        while not decompressor.eof:
            read = source.read_at(offset, _READ)
            if not read:
                raise Malformed(name, offset, "the rest of a frame", "the end: the file is truncated")
            offset += len(read)
            # In small steps: a few compressed bytes may stand for gigabytes, and only a step of them is ever in memory.
            for start in range(0, len(read), 1024):
                try:
                    yield decompressor.decompress(read[start : start + 1024])
                except zstandard.ZstdError as error:
                    raise Malformed(name, offset, "an intact frame", str(error)) from None
                if decompressor.eof:
                    break
