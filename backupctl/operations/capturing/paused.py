"""Reading a card that is in use without following its writes: everything on it stays frozen until all is read.

For kernels without trace events. It takes as long as reading the card does, so it is refused unless that fits into the
time that the owner allows; the watchdog ends it then. File systems that cannot be frozen are made read-only meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from backupctl.board.mounted import Treatment
from backupctl.domain.card_map import cells
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.units import duration, size
from backupctl.operations.capturing.intake import Intake
from backupctl.operations.capturing.live import Instant
from backupctl.operations.capturing.live_card import LiveCard, of_the_card
from backupctl.operations.capturing.undoing import Undoing
from backupctl.operations.progress import Reporter

_SAMPLE_BYTES, _SAMPLE_STEP = 32 << 20, 1 << 20
_MARGIN = 1.5
_QUICK_SYNC_SECONDS, _SYNC_ATTEMPTS = 0.5, 10
_REMOUNT_SECONDS = 30.0


class PausedReading:
    """One capture's way through a card that stands still for it."""

    def __init__(
        self, live: LiveCard, intake: Intake, max_freeze: float, state_folder: Path, reporter: Reporter
    ) -> None:
        """`state_folder`: where it is written down what has to be undone."""
        self._live = live
        self._intake = intake
        self._max_freeze = max_freeze
        self._state_folder = state_folder
        self._reporter = reporter

    def take(self) -> Instant:
        """Raises Refused if it would take too long, BackupctlError if it did; OSError of the share."""
        live = self._live
        with of_the_card():
            live.look_again()  # what was done before the freeze may have mounted something
        live.freezer.sync_until_quick(_QUICK_SYNC_SECONDS, _SYNC_ATTEMPTS)
        refuse_if_too_long(live, self._max_freeze)
        with self._read_only():
            with of_the_card():
                live.look_again()
            with live.freezer.frozen(live.watchdog, self._max_freeze) as freeze:
                card = live.map(frozen=True)
                stretch = self._intake.store.segment_bytes
                self._intake.take(live.reader, card, cells(card.data, card.zero, card.size, stretch))
            with of_the_card():
                others = live.look_again()
        if freeze.thawed_early:
            raise BackupctlError(
                f"{', '.join(freeze.thawed_early)} was thawed after {self._max_freeze:g} s, before all was read",
                "Nothing is hurt, and the next run goes on from what was written. Allow more max_freeze in the policy.",
            )
        if others:
            raise BackupctlError(
                "a file system of the card was mounted, unmounted or made writable while the card was read",
                "Nothing is hurt, and the next run goes on from what was written.",
            )
        return Instant(card, freeze.seconds, (), 1)

    @contextmanager
    def _read_only(self) -> Iterator[None]:
        undoing = Undoing(self._state_folder, self._reporter, _REMOUNT_SECONDS)
        try:
            for file_system in self._live.file_systems:
                if file_system.treatment is Treatment.SYNC:
                    at = file_system.places[0].mount.mount_point
                    undoing.do(["mount", "-o", "remount,ro", at], ["mount", "-o", "remount,rw", at])
            yield
        finally:
            undoing.undo()


def refuse_if_too_long(live: LiveCard, max_freeze: float) -> None:
    """Raises Refused if reading the card takes longer than `max_freeze` seconds, by what it gives of a sample."""
    hint = live.map(frozen=False)
    sample, took = 0, 0.0
    for start, end in hint.data:
        began = time.monotonic()
        for at in range(start, min(end, start + _SAMPLE_BYTES - sample), _SAMPLE_STEP):
            length = min(_SAMPLE_STEP, end - at)
            sample += length
            with suppress(OSError):  # what cannot be read takes its time all the same
                live.reader.read_at(at, length)
        took += time.monotonic() - began
        if sample >= _SAMPLE_BYTES:
            break
    needed = _MARGIN * took * hint.data.total / max(1, sample)
    if needed > max_freeze:
        raise Refused(
            f"reading {size(hint.data.total)} would keep the board frozen for about {duration(needed)}, "
            f"and the policy allows {max_freeze:g} s",
            'Capture the card when the board is off, allow more max_freeze, or use live = "tracked" with a kernel '
            "that has trace events for block devices.",
        )
