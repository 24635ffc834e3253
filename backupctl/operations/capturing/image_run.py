"""A capture of a card: its cells, read once or, where somebody uses it, until they are those of one instant."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from backupctl.domain.card_map import CardMap, cells
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, card_of
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing.cell_store import CellStore
from backupctl.operations.capturing.intake import Intake
from backupctl.operations.capturing.last_capture import last_capture
from backupctl.operations.capturing.reading import StretchReader
from backupctl.operations.capturing.run import CaptureRun, Wanted
from backupctl.operations.capturing.segmenting import Segmenter, SegmentMaker
from backupctl.operations.capturing.source import CardReader, Source
from backupctl.operations.card_map import layout_of
from backupctl.operations.progress import Step, Stop
from backupctl.operations.session import HeldSession

if TYPE_CHECKING:
    from backupctl.operations.capturing.live import Instant
    from backupctl.operations.capturing.live_card import LiveCard


class ImageRun(CaptureRun):
    """`while_frozen`: a hook of tests, called in the instant that a live card is frozen."""

    def __init__(
        self,
        session: HeldSession,
        wanted: Wanted,
        source: Source,
        card: CardMap,
        id: str,
        started: datetime,
        stop: Stop,
        while_frozen: Callable[[], None] | None = None,
    ) -> None:
        super().__init__(session, wanted, id, started, stop)
        self._source = source
        self._card = card
        self._while_frozen = while_frozen
        self._instant: Instant | None = None  # of a live card

    def take(self) -> CaptureRecord:
        """Raises BackupctlError of every kind, OSError of the share."""
        with self.begun():
            last = last_capture(self.shelf, self.session.history, self.index, SEGMENT_BYTES)
            churn = last.churn if last else Ranges()
            store = CellStore(self._card.size, SEGMENT_BYTES, self.segments, churn)
            self._read_and_write(store)
            self._source.check_unchanged()
            self.read_back()
            unreadable = store.unreadable
            if unreadable:
                self.warnings.append(f"{unreadable.total} bytes of the card could not be read; they stand as zeros")
            said = self._said(store)
            same_lane = last is not None and last.record.lane == f"image of {card_of(said['source'])}"
            changes = last.changes(store, self.index).body() if last and same_lane else None
            self.make_folder()
            return self.commit(self._card.size, store.entries(), said, last.record if last else None, changes)

    def _said(self, store: CellStore) -> dict[str, Any]:
        card, unreadable = self._card, store.unreadable
        return {
            "kind": "image",
            "source": {**self._source.identity, "sector_size": card.sector_size, **self._how_live()},
            "state": PARTIAL if unreadable else GOOD,
            "in_use_bytes": card.in_use_bytes,
            "read_bytes": store.read_bytes,
            "new_segments": len(store.segments),
            "frozen_seconds": self._instant.frozen_seconds if self._instant else None,
            "layout": layout_of(card),
            "zeroed": tuple(card.zero),
            "unreadable": tuple(unreadable),
            "left_out": tuple(v.partition.number for v in card.volumes if v.left_out and v.partition),
        }

    def _how_live(self) -> dict[str, Any]:
        if self._instant is None:
            return {}
        return {
            "rounds": list(self._instant.rounds),
            "freezes": self._instant.attempts,
            "marked_in_use": list(self._instant.marked_in_use),
        }

    def _read_and_write(self, store: CellStore) -> None:
        intake = Intake(store, self._segmenter, self.workers, self.stop)
        with self.writing():
            if self._source.live is None:
                self._read_still(intake)
            else:
                self._read_live(self._source.live, intake)
        self.warnings += [*self._source.warnings, *self._card.warnings]

    def _segmenter(self, reader: CardReader, card: CardMap) -> Segmenter:
        stretches = StretchReader(reader, card.data, card.sector_size, self.limit.take)
        hashing, level = self.shelf.mark.hashing, self.policy.store.level
        return Segmenter(stretches, SegmentMaker(self.index, hashing, level, SEGMENT_BYTES, self.renewal))

    def _read_still(self, intake: Intake) -> None:
        """A card that nobody else uses: once through."""
        card, store, reporter = self._card, intake.store, self.session.reporter

        def told(_: int) -> None:
            reporter.step(Step("reading the card", store.read_bytes, card.data.total, store.segments.written))

        intake.take(self._source.reader, card, cells(card.data, card.zero, card.size, SEGMENT_BYTES), told)

    def _read_live(self, live: LiveCard, intake: Intake) -> None:
        from backupctl.operations.capturing.hooks import quieted
        from backupctl.operations.capturing.live import LiveLimits, LiveReading
        from backupctl.operations.capturing.paused import PausedReading

        policy, facts, reporter = self.policy, self.session.facts, self.session.reporter
        image, quiet = policy.image, partial(quieted, policy.hooks, facts.state_folder, reporter)
        if live.tracker is None:
            with quiet():
                self._instant = PausedReading(live, intake, image.max_freeze, facts.state_folder, reporter).take()
        else:
            limits = LiveLimits(image.freeze_memory, image.max_freeze, image.max_rounds, self._while_frozen)
            self._instant = LiveReading(live, intake, limits, quiet, reporter).take()
        self._card = self._instant.card
