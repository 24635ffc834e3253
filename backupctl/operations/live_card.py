"""A card that is in use, opened for a capture: everything that reading, following and freezing it needs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from backupctl.board.block_device import BlockDevice, disk_of
from backupctl.board.direct_reader import DirectReader
from backupctl.board.freezing import Freezer
from backupctl.board.mounted import MountedFileSystem, Treatment, file_systems_on, refuse_unfreezable
from backupctl.board.open_device import open_shared
from backupctl.board.swap_space import swaps_on
from backupctl.board.watchdog import Watchdog
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import Refused
from backupctl.domain.ranges import Ranges
from backupctl.operations.card_map import read_card_map

_UNCLEAN_FAT = "not unmounted cleanly"


@dataclass(frozen=True)
class LiveCard:
    """A whole disk that something uses; owned by `open_live`."""

    disk: BlockDevice
    reader: DirectReader
    file_systems: tuple[MountedFileSystem, ...]
    freezer: Freezer
    watchdog: Watchdog
    tracker: WriteTracker | None  # None: it is to be paused, not tracked
    leave_out: tuple[int, ...]
    proven: bool  # that a write to the card is told of; False where nothing on it could be written to

    def swap_bodies(self) -> Ranges:
        """What is in use for swap now, its headers left out: worth nothing after a restart."""
        return Ranges(pair for swap in swaps_on(self.disk, self.file_systems) for pair in swap.body or ())

    def map(self, frozen: bool) -> CardMap:
        """The map of the card as it is now: a hint, unless everything is `frozen`. Swap is zero."""
        card = read_card_map(self.reader, self.disk.sector_size, self.leave_out, live=not frozen)
        swapped = self.swap_bodies()
        # A mounted FAT is always marked as in use.
        warnings = tuple(text for text in card.warnings if _UNCLEAN_FAT not in text)
        return replace(card, free=card.free - swapped, zero=card.zero | swapped, warnings=warnings)


def _prove(tracker: WriteTracker, file_systems: tuple[MountedFileSystem, ...]) -> bool:
    """Whether a write to the card was seen to be told of. Raises Refused if one was made, and was not."""
    places = [
        Path(place.path)
        for file_system in file_systems
        if not file_system.read_only and file_system.treatment is Treatment.FREEZE
        for place in file_system.places
    ]
    return tracker.prove(places)


@contextmanager
def open_live(path: Path, leave_out: tuple[int, ...], track: bool) -> Iterator[LiveCard]:
    """Opens a whole disk that is in use. To be entered before threads are started, and before a share is opened.

    Raises Refused: not a whole disk, a layout that would hang when frozen, no tracing, a write that was not told of.
    """
    disk = disk_of(path)
    if os.path.realpath(path) != os.path.realpath(disk.path):
        raise Refused(f"{path} is a part of {disk.path}", f"A capture is of a whole card: say {disk.path}.")
    with ExitStack() as stack:
        watchdog = stack.enter_context(Watchdog())
        device = stack.enter_context(open_shared(path))
        fd = os.open(disk.path, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        stack.callback(os.close, fd)
        file_systems = file_systems_on(disk)
        refuse_unfreezable(disk, file_systems)
        freezer = stack.enter_context(Freezer(file_systems))
        tracker = stack.enter_context(WriteTracker(disk.major, disk.minor)) if track else None
        proven = tracker is not None and _prove(tracker, file_systems)
        reader = DirectReader(fd, device.size, str(path))
        yield LiveCard(disk, reader, file_systems, freezer, watchdog, tracker, leave_out, proven)
