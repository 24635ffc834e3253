"""How every parser gets its bytes: by position, never by path."""

from __future__ import annotations

from typing import Protocol

from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges


class ReadAt(Protocol):
    """Bytes by position. `size` is in bytes."""

    @property
    def size(self) -> int: ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Exactly `length` bytes from `offset`.

        Raises Malformed if they do not all lie within `size`, OSError if the medium cannot be read there.
        """
        ...


def check_bounds(offset: int, length: int, size: int) -> None:
    """Raises Malformed unless `[offset, offset + length)` lies within `[0, size)`."""
    if offset < 0 or length < 0 or offset + length > size:
        raise Malformed("read", offset, f"{length} bytes within {size}", "a position beyond the end")


class BytesReader:
    """ReadAt over bytes in memory."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    @property
    def size(self) -> int:
        return len(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        return self._data[offset : offset + length]


class Window:
    """ReadAt over a stretch of another reader: a partition of a card."""

    def __init__(self, inner: ReadAt, start: int, size: int) -> None:
        check_bounds(start, size, inner.size)
        self._inner = inner
        self._start = start
        self._size = size

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self._size)
        return self._inner.read_at(self._start + offset, length)


class RememberingReader:
    """ReadAt over a reader whose bytes change now and then: what was read stays known until it is told that it changed.

    For use by one thread.
    """

    def __init__(self, inner: ReadAt, most_bytes: int) -> None:
        """`most_bytes`: how much is remembered; the rest is read each time."""
        self._inner = inner
        self._room = most_bytes
        self._known: dict[tuple[int, int], bytes] = {}

    @property
    def size(self) -> int:
        return self._inner.size

    def read_at(self, offset: int, length: int) -> bytes:
        known = self._known.get((offset, length))
        if known is not None:
            return known
        found = self._inner.read_at(offset, length)
        if length <= self._room:
            self._known[offset, length] = found
            self._room -= length
        return found

    def forget(self, changed: Ranges) -> None:
        """`changed`: bytes that are no longer what they were."""
        for offset, length in [place for place in self._known if changed.touches(place[0], sum(place))]:
            del self._known[offset, length]
            self._room += length
