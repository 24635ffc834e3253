"""A card's bytes in scratch files, one for each volume and one for the rest: so each can be changed, and moved."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from backupctl.board.scratch import ScratchFile
from backupctl.domain.card_map import CardMap, cells
from backupctl.domain.segments import SEGMENT_BYTES, SEGMENTS_AT_ONCE, Entry, State, is_zero
from backupctl.formats.reader import check_bounds
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.restore import Target

_WORKERS = 2


class Stand(NamedTuple):
    """Bytes `[start, end)` of the card stand in `file`, from byte `at` on."""

    start: int
    end: int
    file: ScratchFile
    at: int


class Stands:
    """Where the bytes of a card of `size` bytes stand. ReadAt, and a target to restore to; what has no stand is zero,
    and is dropped when it is written."""

    def __init__(self, size: int, stands: Iterable[Stand]) -> None:
        self._size = size
        self._stands = sorted(stand for stand in stands if stand.start < stand.end)
        self._starts = [stand.start for stand in self._stands]

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """See ReadAt."""
        check_bounds(offset, length, self._size)
        pieces = []
        at = offset
        for start, end, stand in self._within(offset, offset + length):
            pieces += [bytes(start - at), stand.file.read_at(stand.at + start - stand.start, end - start)]
            at = end
        return b"".join([*pieces, bytes(offset + length - at)])

    def write(self, offset: int, data: bytes) -> None:
        """See `restore.Target`."""
        for start, end, stand in self._within(offset, offset + len(data)):
            stand.file.write(stand.at + start - stand.start, data[start - offset : end - offset])

    def zero(self, offset: int, length: int) -> None: ...

    def free(self, offset: int, length: int) -> None: ...

    def _within(self, low: int, high: int) -> Iterator[tuple[int, int, Stand]]:
        for number in range(max(0, bisect_right(self._starts, low) - 1), len(self._stands)):
            stand = self._stands[number]
            if stand.start >= high:
                return
            start, end = max(low, stand.start), min(high, stand.end)
            if start < end:
                yield start, end, stand


@dataclass(frozen=True)
class ScratchSource:
    """What stands in scratch files as the source of a restore; `card_map` says which of its bytes matter."""

    image: Stands
    card_map: CardMap

    @property
    def size(self) -> int:
        return self.image.size

    def pour(
        self, target: Target, later: Callable[[int, int], bool], reporter: Reporter, stop: Stop
    ) -> list[tuple[int, bytes]]:
        """See CardSource."""
        kept: list[tuple[int, bytes]] = []

        def move(entry: Entry) -> tuple[Entry, bytes | None]:
            content = self.content(entry)
            if later(entry.offset, entry.length):
                return entry, content
            if is_zero(content):
                target.zero(entry.offset, entry.length)
            else:
                target.write(entry.offset, content)
            return entry, None

        end = 0
        for entry, content in in_order(self.entries(), move, _WORKERS, SEGMENTS_AT_ONCE):
            stop.check()
            if content is not None:
                kept.append((entry.offset, content))
            if entry.offset > end:
                target.free(end, entry.offset - end)
            end = entry.offset + entry.length
            reporter.step(Step("writing", end, self.size))
        if end < self.size:
            target.free(end, self.size - end)
        return kept

    def entries(self) -> Iterator[Entry]:
        """See CardSource. As a capture has them: a cell that is free throughout is none."""
        for start, end, has_data in cells(self.card_map.data, self.card_map.zero, self.size, SEGMENT_BYTES):
            yield Entry(start, end - start, State.DATA if has_data else State.ZERO, b"")

    def is_right(self, entry: Entry, found: bytes) -> bool:
        """See CardSource."""
        return found == self.content(entry)

    def content(self, entry: Entry) -> bytes:
        """What is to stand there."""
        if entry.state == State.ZERO:
            return bytes(entry.length)
        return self.image.read_at(entry.offset, entry.length)
