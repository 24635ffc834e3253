"""What a capture reads: a card file, or a block device, which may be in use."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

from backupctl.board.card_file import FileReader
from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import BackupctlError, InUse, NotFound
from backupctl.domain.policy import ImagePolicy
from backupctl.formats.reader import ReadAt
from backupctl.operations.card_map import read_card_map

if TYPE_CHECKING:
    from backupctl.operations.capturing.live_card import LiveCard


class CardReader(ReadAt, Protocol):
    """ReadAt that can also fill memory that is there already; for use by many threads."""

    def read_into(self, offset: int, view: memoryview) -> None:
        """Fills `view` from `offset`. Raises OSError if the card cannot be read there."""
        ...


@dataclass(frozen=True)
class Source:
    """A card that is open for reading. `sector_size` is None where only its bytes can tell."""

    path: str
    reader: CardReader
    sector_size: int | None
    identity: dict[str, Any]  # what the record says of it
    check_unchanged: Callable[[], None]  # BackupctlError if somebody wrote to it since it was opened
    live: LiveCard | None = None  # if something uses it
    warnings: tuple[str, ...] = ()
    kind: ClassVar[str] = "image"

    def map(self, leave_out: tuple[int, ...]) -> CardMap:
        """The map of the card; of a live one, a hint."""
        if self.live is not None:
            return self.live.map(frozen=False)
        return read_card_map(self.reader, self.sector_size, leave_out)


def must_exist(path: Path) -> None:
    """Raises NotFound where there is nothing to capture."""
    if not path.exists():
        raise NotFound(f"there is no card at {path}", "See `backupctl cards` for what is plugged in.")


@contextmanager
def open_source(path: Path, policy: ImagePolicy) -> Iterator[Source]:
    """Opens a card file, or a block device: exclusively if nobody uses it, else as a live card if `policy` says so.

    To be entered before threads are started. Raises NotFound, Refused.
    """
    must_exist(path)
    if path.is_block_device():
        with ExitStack() as stack:
            yield _open_device(path, policy, stack)
        return
    with FileReader(path) as reader:
        before = _stamp(path)

        def check_unchanged() -> None:
            if _stamp(path) != before:
                raise BackupctlError(
                    f"{path} was written to while it was read, so this would be no state that it ever had",
                    "Capture it when nothing uses it: a virtual machine, or a copy under way, is the usual reason.",
                )

        identity = {"path": str(path.resolve()), "model": None, "serial": None, "cid": None}
        yield Source(str(path), reader, None, identity, check_unchanged)


def _open_device(path: Path, policy: ImagePolicy, stack: ExitStack) -> Source:
    # Only Linux has these; card files can be read anywhere.
    from backupctl.board.block_device import disk_of
    from backupctl.board.emmc import boot_areas_in_use
    from backupctl.board.health import io_errors
    from backupctl.board.host import boot_id, hardware
    from backupctl.board.open_device import DeviceReader, open_exclusive
    from backupctl.board.system_disks import disks_under
    from backupctl.operations.capturing.live_card import open_live

    disk = disk_of(path)
    identity: dict[str, Any] = {"path": str(path), "model": disk.model, "serial": disk.serial, "cid": disk.cid}
    count = io_errors(disk)
    if count is not None:
        identity["io_errors"] = {"boot": boot_id(), "count": count}
    if disk.name in disks_under("/").disks:
        identity["system"] = hardware()  # which a card in a reader tells nothing of
    areas = boot_areas_in_use(disk.name)
    warnings = tuple(
        f"{area}, a boot area of the eMMC, holds something, and is not part of the capture" for area in areas
    )
    try:
        device = stack.enter_context(open_exclusive(path, write=False))
    except InUse as error:
        if policy.live == "refuse":
            raise InUse(
                error.cause,
                'The policy refuses cards in use: unmount it, or choose live = "tracked" under [image].',
            ) from error
        live = stack.enter_context(open_live(path, policy.leave_out, policy.live == "tracked"))
        identity["live"] = policy.live
        return Source(str(path), live.reader, disk.sector_size, identity, lambda: None, live, warnings)
    # Nobody else can write to a device that is held exclusively.
    return Source(str(path), DeviceReader(device.fd), device.sector_size, identity, lambda: None, warnings=warnings)


def _stamp(path: Path) -> tuple[int, int, int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns
