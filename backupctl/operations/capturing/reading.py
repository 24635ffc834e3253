"""Reading stretches of a card into memory: only data is read, and what a failing card does not give stands as zeros."""

from __future__ import annotations

from collections.abc import Callable

from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing.source import CardReader

# Below this, a gap costs less to read than to skip: a card answers a new request in about the time of so many bytes
# (common practice, no source).
_GAP = 64 << 10
_RETRY_STEPS = (64 << 10, 4096, 512)
_RETRIES = 2


class StretchReader:
    """Reads from a card for several threads at once."""

    def __init__(self, reader: CardReader, data: Ranges, sector_size: int, take: Callable[[int], None]) -> None:
        """`data`: what is to be read; all else comes as zeros. `take(n)` returns when `n` more bytes may be read."""
        self._reader = reader
        self._data = data
        self._sector_size = sector_size
        self._take = take

    def read(self, start: int, view: memoryview) -> tuple[int, list[tuple[int, int]]]:
        """Fills `view` from `start`; how many bytes were read, and which ranges of the card could not be."""
        end = start + len(view)
        wanted = list(self._data.within(start, end))
        unreadable: list[tuple[int, int]] = []
        read = 0
        for low, high in _joined(wanted, _GAP):
            self._take(high - low)
            unreadable += self._read_or_retry(low, view[low - start : high - start])
            read += high - low
        # Free bytes are zero in the copy whatever stands there, so that equal content makes equal segments.
        at = start
        for low, high in [*wanted, (end, end)]:
            if at < low:
                view[at - start : low - start] = bytes(low - at)
            at = high
        return read, [pair for low, high in unreadable for pair in self._data.within(low, high)]

    def _read_or_retry(self, offset: int, view: memoryview) -> list[tuple[int, int]]:
        try:
            self._reader.read_into(offset, view)
        except OSError:
            steps = [step for step in _RETRY_STEPS if step >= self._sector_size]
            return self._in_steps(offset, view, steps or [self._sector_size])
        return []

    def _in_steps(self, offset: int, view: memoryview, steps: list[int]) -> list[tuple[int, int]]:
        """Reads in ever smaller steps, so that one bad sector costs no more than itself."""
        step, *smaller = steps
        bad: list[tuple[int, int]] = []
        for at in range(0, len(view), step):
            piece = view[at : at + step]
            for attempt in range(_RETRIES):
                try:
                    self._reader.read_into(offset + at, piece)
                    break
                except OSError:
                    if smaller and attempt == 0 and len(piece) > smaller[0]:
                        bad += self._in_steps(offset + at, piece, smaller)
                        break
            else:
                piece[:] = bytes(len(piece))
                bad.append((offset + at, offset + at + len(piece)))
        return bad


def _joined(ranges: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Ranges with gaps smaller than `gap` between them made one."""
    made: list[tuple[int, int]] = []
    for low, high in ranges:
        if made and low - made[-1][1] < gap:
            made[-1] = (made[-1][0], high)
        else:
            made.append((low, high))
    return made
