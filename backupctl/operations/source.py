"""What a capture reads: a card file, or a block device that nobody else uses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from backupctl.board.card_file import FileReader
from backupctl.domain.errors import BackupctlError, NotFound
from backupctl.formats.reader import ReadAt


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

    @property
    def size(self) -> int:
        return self.reader.size


def must_exist(path: Path) -> None:
    """Raises NotFound where there is nothing to capture."""
    if not path.exists():
        raise NotFound(f"there is no card at {path}", "See `backupctl cards` for what is plugged in.")


@contextmanager
def open_source(path: Path) -> Iterator[Source]:
    """Opens a card file, or a block device exclusively. Raises NotFound, Refused (it is mounted, say)."""
    must_exist(path)
    if path.is_block_device():
        # Only Linux has these; card files can be read anywhere.
        from backupctl.board.block_device import disk_of
        from backupctl.board.open_device import DeviceReader, open_exclusive

        with open_exclusive(path, write=False) as device:
            disk = disk_of(path)
            identity: dict[str, Any] = {"path": str(path), "model": disk.model, "serial": disk.serial, "cid": disk.cid}
            # Nobody else can write to a device that is held exclusively.
            yield Source(str(path), DeviceReader(device.fd), device.sector_size, identity, lambda: None)
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


def _stamp(path: Path) -> tuple[int, int, int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns
