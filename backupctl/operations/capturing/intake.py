"""Cells of a card on their way into the store: read, hashed and compressed on several threads, and put in order."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass

from backupctl.domain.card_map import CardMap
from backupctl.domain.segments import SEGMENTS_AT_ONCE
from backupctl.operations.capturing.cell_store import CellStore
from backupctl.operations.capturing.segmenting import Cell, Segmenter, runs_of
from backupctl.operations.capturing.source import CardReader
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Stop


@dataclass(frozen=True)
class Intake:
    """`segmenter` makes one that reads what a map calls data."""

    store: CellStore
    segmenter: Callable[[CardReader, CardMap], Segmenter]
    workers: int
    stop: Stop

    def take(
        self, reader: CardReader, card: CardMap, cells: Iterable[Cell], told: Callable[[int], None] = lambda _: None
    ) -> None:
        """Takes `cells`; `told` hears now and then how many bytes of them were taken so far.

        Raises Interrupted, OSError of the share.
        """
        taken = 0
        runs = runs_of(cells, SEGMENTS_AT_ONCE)
        with closing(in_order(runs, self.segmenter(reader, card).make, self.workers)) as bundles:
            for segments in bundles:
                self.stop.check()
                for segment in segments:
                    self.store.put(segment)
                    taken += segment.length
                told(taken)
