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
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.ranges import Ranges
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import RememberingReader
from backupctl.operations.card_map import read_card_map

_UNCLEAN_FAT = "not unmounted cleanly"
# Of what maps are made of. 1 TB of ext4 has 32 MiB of bitmaps.
_MOST_REMEMBERED = 64 << 20


@dataclass(frozen=True)
class LiveCard:
    """A whole disk that something uses; owned by `open_live`."""

    disk: BlockDevice
    reader: DirectReader
    freezer: Freezer
    watchdog: Watchdog
    tracker: WriteTracker | None  # None: it is to be paused, not tracked
    leave_out: tuple[int, ...]
    proven: bool  # that a write to the card is told of; False where nothing on it could be written to
    remembering: RememberingReader  # of what maps are made of, as long as it is not written to
    memory: MapMemory

    @property
    def file_systems(self) -> tuple[MountedFileSystem, ...]:
        """Those that are mounted, as of the last look."""
        return self.freezer.file_systems

    def look_again(self) -> bool:
        """Takes up what has been mounted or unmounted meanwhile; whether anything has. Raises Refused."""
        found = file_systems_on(self.disk)
        if _kinds(found) == _kinds(self.file_systems):
            return False
        self.freezer.take_up(found)  # first, so that what was unmounted is not in use because of this process
        refuse_unfreezable(self.disk, found)
        return True

    def drain(self) -> Ranges:
        """What was written since the last call."""
        if self.tracker is None:
            raise ValueError("a card whose writes are not followed")
        written = self.tracker.drain()
        self.remembering.forget(written)
        return written

    def start_over(self) -> None:
        """Follows writes anew, after some were lost: nothing that was read before is known to be so still."""
        if self.tracker is None:
            raise ValueError("a card whose writes are not followed")
        self.tracker.start_over()
        self.remembering.forget(Ranges([(0, self.reader.size)]))

    def swap_bodies(self) -> Ranges:
        """What is in use for swap now, its headers left out: worth nothing after a restart."""
        return Ranges(pair for swap in swaps_on(self.disk, self.file_systems) for pair in swap.body or ())

    def map(self, frozen: bool) -> CardMap:
        """The map of the card as of the last `drain`: a hint, unless everything is `frozen`. Swap is zero."""
        reader = self.reader if self.tracker is None else self.remembering
        card = read_card_map(reader, self.disk.sector_size, self.leave_out, not frozen, self.memory)
        swapped = self.swap_bodies()
        marked = tuple(f"partition {number}: " if number else "the card: " for number in self.marked_in_use())
        warnings = tuple(text for text in card.warnings if not (_UNCLEAN_FAT in text and text.startswith(marked)))
        return replace(card, free=card.free - swapped, zero=card.zero | swapped, warnings=warnings)

    def marked_in_use(self) -> tuple[int, ...]:
        """Numbers of partitions that say of themselves, being mounted, that they were not unmounted: of FAT.

        0 for a card that is one itself.
        """
        mounted = {name for each in self.file_systems if each.treatment is Treatment.SYNC for name in each.devices}
        places = [(self.disk.name, 0), *((partition.name, partition.number) for partition in self.disk.partitions)]
        return tuple(number for name, number in places if name in mounted)


def _kinds(file_systems: tuple[MountedFileSystem, ...]) -> set[tuple[object, ...]]:
    return {(each.number, each.fstype, each.devices, each.treatment) for each in file_systems}


@contextmanager
def of_the_card() -> Iterator[None]:
    """What fails in the block is the card or the board, and never the share, which an OSError is taken for else."""
    try:
        yield
    except OSError as error:
        raise BackupctlError(
            f"the card in use could not be looked at as it should: {error}",
            "Nothing that was captured before is hurt. The card may be failing: see the kernel's log.",
        ) from error


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
        device = stack.enter_context(open_shared(path, expected=disk, direct=True))
        file_systems = file_systems_on(disk)
        refuse_unfreezable(disk, file_systems)
        freezer = stack.enter_context(Freezer(file_systems))
        tracker = stack.enter_context(WriteTracker(disk.major, disk.minor)) if track else None
        proven = tracker is not None and _prove(tracker, file_systems)
        reader = DirectReader(device.fd, device.size, str(path))
        remembering = RememberingReader(reader, _MOST_REMEMBERED)
        yield LiveCard(disk, reader, freezer, watchdog, tracker, leave_out, proven, remembering, MapMemory())
