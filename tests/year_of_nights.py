"""The nights of a made-up board on the real store: every night a capture and a thinning, in memory and out of time."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from backupctl.domain.policy import PacePolicy, Policy, StorePolicy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.marks import read_shelf_mark
from backupctl.share.shelf import Shelf
from tests.storage_in_memory import StorageInMemory
from tests.synthetic_board import CELLS, SyntheticBoard
from tests.unit.small_board import empty_shelf

CELL_BYTES = 8192
FIRST_NIGHT = datetime(2026, 12, 1, 2, tzinfo=UTC)
POLICY = Policy(store=StorePolicy(read_back=False, sync_every=1 << 20), pace=PacePolicy(workers=1))


@dataclass
class YearOfNights:
    """`captured`, `moved`: bytes that captures wrote, and that thinnings moved again."""

    folder: Path
    seed: int
    policy: Policy = POLICY
    nights: int = 0
    captured: int = 0
    moved: int = 0
    now: datetime = FIRST_NIGHT
    board: SyntheticBoard = field(init=False)
    storage: StorageInMemory = field(init=False)
    shelf: Shelf = field(init=False)

    def __post_init__(self) -> None:
        self.board = SyntheticBoard(self.seed, FIRST_NIGHT.date())
        self.storage = StorageInMemory(lambda: self.now.timestamp())
        root = empty_shelf(self.folder / "share")
        self.storage.load(root)
        mark = read_shelf_mark(self.storage)
        assert mark is not None
        self.shelf = Shelf(self.storage, mark, root)
        with self._card.open("wb") as card:
            card.writelines(self.board.content(cell, CELL_BYTES) for cell in range(CELLS))

    @property
    def _card(self) -> Path:
        return self.folder / "card.img"

    def _clock(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def facts(self) -> Facts:
        start = f"start {self.nights}"
        return Facts("greenhouse", "0" * 32, start, "Europe/Berlin", True, self.folder / "state", self._clock)

    def go_on_until(self, nights: int) -> None:
        """Until there have been so many."""
        while self.nights < nights:
            if self.nights:
                self._one_day()
            self.now = FIRST_NIGHT + timedelta(days=self.nights)
            self.nights += 1
            taken = capture(self.shelf, CaptureOptions(self._card, self.policy), self.facts(), Quiet(), Stop())
            options = ThinOptions(self.policy, lambda _: "", yes=True, all=True)
            self.captured += taken["written_bytes"]
            self.moved += thin(self.shelf, options, self.facts(), Quiet(), Stop())["moved_bytes"]

    def _one_day(self) -> None:
        before = list(self.board.held)
        self.board.one_day()
        with self._card.open("r+b") as card:
            for cell, content in enumerate(self.board.held):
                if content != before[cell]:
                    card.seek(cell * CELL_BYTES)
                    card.write(self.board.content(cell, CELL_BYTES))
