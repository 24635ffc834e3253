"""Whether a capture fits on the share, and leaves as much free as the policy wants."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size

_STORED = 0.6  # of what is in use, where nothing is known of the card; a Debian root measured 0.4
_NIGHTS = 3
LEAST = 64 << 20  # bytes, without which no capture is begun


@dataclass(frozen=True)
class Room:
    """Bytes: `wanted` by the next capture, and `reserve` to be left then."""

    free: int
    wanted: int
    reserve: int

    @property
    def is_short(self) -> bool:
        return self.free < max(LEAST, self.wanted + self.reserve)

    def __str__(self) -> str:
        return f"{size(self.free)} free, about {size(self.wanted)} wanted, {size(self.reserve)} to be left"


def room_for(folder: Path, images: Sequence[CaptureRecord], data_bytes: int, reserve_percent: int) -> Room:
    """For the next capture, after `images` (oldest first), of a card with so much data; blocks if the share does.

    Twice what one of the last nights wrote at most; where there is none, a share of the data.
    """
    found = os.statvfs(folder)
    whole = int(data_bytes * _STORED)
    # The first capture, which wrote everything, says nothing of a night.
    last = [record.written_bytes for record in images[1:][-_NIGHTS:]]
    wanted = min(whole, 2 * max(last)) if last else whole
    total = found.f_blocks * found.f_frsize
    return Room(found.f_bavail * found.f_frsize, wanted, min(whole, total * reserve_percent // 100))
