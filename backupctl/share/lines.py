"""Compressed text on a shelf, line by line and within bounds: a frame may claim, and hold, anything."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain

import zstandard

from backupctl.domain.errors import Malformed
from backupctl.share.storage import Storage

_READ = 128 << 10
_BATCH = 64 << 10
_UNPACKED_AT_ONCE = 8 << 20
_LINE_MOST = 4096
_WINDOW_MOST = 8 << 20  # what a decoder should support, by the format's text


def lines_of(storage: Storage, name: str, line_most: int = _LINE_MOST) -> Iterator[bytes]:
    """The lines of a text in one zstd frame, without their line ends.

    Raises Malformed if it is not one whole intact frame of lines of at most `line_most` bytes, or the server's disk
    gives an error for it; OSError if the share itself is in trouble.
    """
    return chain.from_iterable(batches_of(storage, name, line_most))


def batches_of(storage: Storage, name: str, line_most: int = _LINE_MOST) -> Iterator[list[bytes]]:
    """The same, many lines at once."""
    rest = b""  # of a line, at the end of a batch
    with _disk_errors(name):
        for text in _texts_of(storage, name):
            for start in range(0, len(text), _BATCH):  # nearly always one; a million line ends would be a long list
                *lines, rest = (rest + text[start : start + _BATCH]).split(b"\n")
                if max(map(len, (*lines, rest))) > line_most:
                    raise Malformed(name, 0, f"lines of at most {line_most} bytes", "a longer one")
                yield lines
    if rest:
        raise Malformed(name, 0, "a line end at the end", repr(rest[-40:]))


def text_of(storage: Storage, name: str, most: int) -> bytes:
    """The whole of such a text, of at most `most` bytes. Raises as `lines_of` does, with two exceptions.

    Only very long lines are found, and a frame that was cut short is taken for a shorter text: its last line must tell.
    """
    with _disk_errors(name), storage.open(name) as source:
        packed = source.read_at(0, min(most, storage.size(name) or 0))
    pieces: list[bytes] = []
    try:
        # In one call as a rule, since each has to wait for its turn where other threads are busy.
        with zstandard.ZstdDecompressor(max_window_size=_WINDOW_MOST).stream_reader(packed) as reader:
            while piece := reader.read(_UNPACKED_AT_ONCE):
                pieces.append(piece)
                if sum(map(len, pieces)) > most:
                    raise Malformed(name, 0, f"a text of at most {most} bytes", "a longer one")
    except zstandard.ZstdError as error:
        raise Malformed(name, 0, "an intact frame", str(error)) from None
    text = b"".join(pieces)
    if any(text.find(b"\n", at, at + _BATCH) < 0 for at in range(0, len(text) - _BATCH, _BATCH)):
        raise Malformed(name, 0, f"lines of at most {_LINE_MOST} bytes", "a longer one")
    return text


@contextmanager
def _disk_errors(name: str) -> Iterator[None]:
    """An error of the server's disk is damage of this file."""
    try:
        yield
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        raise Malformed(name, 0, "a file that can be read", str(error)) from None


def _texts_of(storage: Storage, name: str) -> Iterator[bytes]:
    """What is in the frame, in pieces that are worth the while."""
    decompressor = zstandard.ZstdDecompressor(max_window_size=_WINDOW_MOST).decompressobj()
    pieces: list[bytes] = []
    size = offset = 0
    with storage.open(name) as source:
        while not decompressor.eof:
            read = source.read_at(offset, _READ)
            if not read:
                raise Malformed(name, offset, "the rest of a frame", "the end: the file is truncated")
            offset += len(read)
            # In small steps: a few compressed bytes may stand for gigabytes, and only a step of them is ever in memory.
            for start in range(0, len(read), 1024):
                try:
                    piece = decompressor.decompress(read[start : start + 1024])
                except zstandard.ZstdError as error:
                    raise Malformed(name, offset, "an intact frame", str(error)) from None
                pieces.append(piece)
                size += len(piece)
                if size >= _BATCH:
                    yield b"".join(pieces)
                    pieces.clear()
                    size = 0
                if decompressor.eof:
                    break
    yield b"".join(pieces)
