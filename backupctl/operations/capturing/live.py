"""Reading a card that is in use, so that the image is of one instant: that at which everything on it was frozen.

Writes are followed from before the first byte is read. What was written meanwhile is read again, in rounds, until it is
little; then every file system of the card is frozen, the rest is read into locked memory, and they are thawed. Before
that, maps of free space are hints of what to read; the map that counts is read in the instant itself.

A cell (one segment's stretch of the card) is as it was in that instant if what the last map calls data in it was not
written since it was read, and was read with a map that called all of that data, and nothing data that must be zero.
"""

from __future__ import annotations

import errno
import math
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

from backupctl.board.locked_memory import locked_memory
from backupctl.domain.card_map import CardMap, cell_numbers
from backupctl.domain.errors import BackupctlError
from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing.intake import Intake
from backupctl.operations.capturing.live_card import LiveCard, of_the_card
from backupctl.operations.capturing.source import CardReader
from backupctl.operations.progress import Reporter, Step

_QUICK_SYNC_SECONDS = 0.5
_SYNC_ATTEMPTS = 10
_ATTEMPTS = 6  # at freezing
_BEGINNINGS = 3
_PAGE = 4096


@dataclass(frozen=True)
class LiveLimits:
    """See `[image]` in a policy. `while_frozen` is a hook of tests, called in the instant."""

    freeze_memory: int
    max_freeze: float
    max_rounds: int
    while_frozen: Callable[[], None] | None = None


@dataclass(frozen=True)
class Instant:
    """What came of it.

    `rounds`: cells read in each; `attempts`: freezes, of which only the last one counts; `marked_in_use`: partitions
    that say of themselves that they were not unmounted, as they do while they are mounted.
    """

    card: CardMap
    frozen_seconds: float
    rounds: tuple[int, ...]
    attempts: int
    marked_in_use: tuple[int, ...] = ()


class EventsLost(BackupctlError):
    """Nobody knows what has changed."""


class _Memory:
    """CardReader over the cells that were read in the instant."""

    def __init__(self, size: int, cell_bytes: int, cells: dict[int, bytes], unreadable: Ranges) -> None:
        """`unreadable`: what the card did not give; here it does not give it either."""
        self._size = size
        self._cell_bytes = cell_bytes
        self._unreadable = unreadable
        self.cells = cells

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        data = bytearray(length)
        self.read_into(offset, memoryview(data))
        return bytes(data)

    def read_into(self, offset: int, view: memoryview) -> None:
        if self._unreadable.touches(offset, offset + len(view)):
            raise OSError(errno.EIO, "the card could not be read there while it was frozen")
        at = 0
        while at < len(view):
            cell, inside = divmod(offset + at, self._cell_bytes)
            piece = self.cells[cell][inside : inside + len(view) - at]
            view[at : at + len(piece)] = piece
            at += len(piece)


class LiveReading:
    """One capture's way through a live card."""

    def __init__(
        self,
        live: LiveCard,
        intake: Intake,
        limits: LiveLimits,
        quieted: Callable[[], AbstractContextManager[None]],
        reporter: Reporter,
    ) -> None:
        """A freeze happens within `quieted`."""
        if live.tracker is None:
            raise ValueError("a card whose writes are not followed")
        self._live = live
        self._tracker = live.tracker
        self._intake = intake
        self._limits = limits
        self._quieted = quieted
        self._reporter = reporter
        self._cell = intake.store.segment_bytes
        self._held = Ranges()  # what the cells that were read may hold: data by the map that each was read with
        self._current = Ranges()  # what of that was not written since
        self._rounds: list[int] = []

    def take(self) -> Instant:
        """Raises Refused, BackupctlError where the board writes too fast or events were lost; OSError of the share."""
        for _ in range(_BEGINNINGS - 1):
            try:
                return self._attempts()
            except EventsLost as error:
                self._reporter.note(f"{error.cause}; starting over")
                with of_the_card():
                    self._live.start_over()
                self._current = Ranges()
        return self._attempts()

    def _attempts(self) -> Instant:
        live = self._live
        # So that the first maps are near the truth; whether it is quick matters at the end only.
        live.freezer.sync_until_quick(math.inf, attempts=1)
        self._converge()
        hint: CardMap | None = None
        for attempt in range(1, _ATTEMPTS + 1):
            with self._quieted():
                with of_the_card():
                    live.look_again()
                live.freezer.sync_until_quick(_QUICK_SYNC_SECONDS, _SYNC_ATTEMPTS)
                self._round(hint)
                with of_the_card():
                    frozen = self._freeze()
            if frozen.torn:
                self._reporter.note(f"{frozen.torn}; trying again")
                hint = frozen.card
                continue
            self._put(frozen.memory, frozen.card, sorted(frozen.memory.cells))
            self._intake.store.settle(frozen.card.data, frozen.card.zero)
            return Instant(frozen.card, frozen.seconds, tuple(self._rounds), attempt, live.marked_in_use())
        raise BackupctlError(
            f"the card was frozen {_ATTEMPTS} times, and each time it was not still, or more had to be read than fits",
            "Capture it at a quieter time, or allow more freeze_memory or max_freeze in the policy.",
        )

    def _converge(self) -> None:
        """Rounds until one reads less than half of what fits into the instant, or no less than the one before."""
        most = self._limits.freeze_memory // self._cell // 2
        before: int | None = None
        for _ in range(self._limits.max_rounds):
            last = self._round()
            if before is not None and (last <= most or last >= before):
                return
            before = last

    def _round(self, hint: CardMap | None = None) -> int:
        """Reads what is not yet, or no longer, as the card's map has it, or that of `hint`; how many cells."""
        with of_the_card():
            self._forget(self._live.drain())
            self._check_lost()
            card = hint or self._live.map(frozen=False)
        stale = self._stale(card)
        self._rounds.append(len(stale))
        self._put(self._live.reader, card, stale)
        read = Ranges((cell * self._cell, (cell + 1) * self._cell) for cell in stale)
        self._held = (self._held - read) | (card.data & read)
        self._current = self._current | (card.data & read)
        return len(stale)

    def _stale(self, card: CardMap) -> list[int]:
        """Cells to read (again) so that all is as `card` has it.

        By bytes, not by cells: a trim writes to all that is free, beside data in very many cells.
        """
        stale = cell_numbers((card.data - self._current) | (card.zero & self._held), self._cell)
        return [cell for cell in stale if card.data.touches(cell * self._cell, (cell + 1) * self._cell)]

    def _forget(self, written: Ranges) -> None:
        self._current = self._current - written

    def _check_lost(self) -> None:
        lost = self._tracker.lost()
        if lost:
            raise EventsLost(
                f"the kernel could not tell of {lost} writes, so nobody knows what has changed",
                "Nothing is hurt. Try again at a quieter time.",
            )

    def _put(self, reader: CardReader, card: CardMap, wanted: list[int]) -> None:
        spans = ((cell * self._cell, min((cell + 1) * self._cell, card.size), True) for cell in wanted)
        name = "reading the card" if len(self._rounds) < 2 else "reading again what was written meanwhile"

        def told(taken: int) -> None:
            self._tracker.collect()
            self._reporter.step(Step(name, taken, len(wanted) * self._cell, self._intake.store.segments.written))

        self._intake.take(reader, card, spans, told)

    def _freeze(self) -> _Frozen:
        """The instant. Nothing is told, logged or written while it lasts."""
        live, limits = self._live, self._limits
        pieces: dict[int, memoryview] = {}
        unreadable: list[tuple[int, int]] = []
        with locked_memory(limits.freeze_memory) as locked:
            try:
                with live.freezer.frozen(live.watchdog, limits.max_freeze) as freeze:
                    live.freezer.sync_unfreezable()
                    self._forget(live.drain())
                    card = live.map(frozen=True)
                    stale = self._stale(card)
                    fits = len(stale) * self._cell <= len(locked)
                    for slot, cell in enumerate(stale if fits else ()):
                        start = slot * self._cell
                        piece = locked[start : start + min(self._cell, live.reader.size - cell * self._cell)]
                        pieces[cell] = piece
                        unreadable += _read_pages(live.reader, cell * self._cell, piece)
                    if limits.while_frozen is not None:
                        limits.while_frozen()
                    # A freeze does not keep anybody from trimming (fstrim(8); seen on Linux 6.18 with ext4).
                    # Whatever happens to what is free is nothing to the image.
                    after = live.drain()
                    late = after - live.swap_bodies() - card.free
                cells = {cell: bytes(piece) for cell, piece in pieces.items()}
                memory = _Memory(live.reader.size, self._cell, cells, Ranges(unreadable))
            finally:
                for piece in pieces.values():
                    piece.release()
        self._forget(after)
        self._check_lost()
        torn = ""
        if not fits:
            torn = f"{len(stale)} segments had to be read in an instant that has memory for fewer"
        elif freeze.thawed_early:
            torn = f"{', '.join(freeze.thawed_early)} was thawed before all was read"
        elif late:
            torn = f"{late.total} bytes were written while all was frozen"
        elif live.look_again():
            torn = "a file system of the card was mounted or unmounted just then"
        return _Frozen(card, memory, freeze.seconds, torn)


def _read_pages(reader: CardReader, offset: int, view: memoryview) -> list[tuple[int, int]]:
    """Fills `view` from `offset`, with zeros where the card cannot be read; where that is, in pages."""
    try:
        reader.read_into(offset, view)
    except OSError:
        if len(view) > _PAGE:
            pages = range(0, len(view), _PAGE)
            return [bad for at in pages for bad in _read_pages(reader, offset + at, view[at : at + _PAGE])]
        view[:] = bytes(len(view))
        return [(offset, offset + len(view))]
    return []


@dataclass(frozen=True)
class _Frozen:
    """The map, the cells that were read in the instant, how long it lasted, and what makes it worth nothing."""

    card: CardMap
    memory: _Memory
    seconds: float
    torn: str
