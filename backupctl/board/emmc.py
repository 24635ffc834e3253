"""The boot areas of an eMMC: devices of their own beside the disk (Documentation/driver-api/mmc/mmc-dev-parts.rst)."""

from __future__ import annotations

from pathlib import Path

from backupctl.board.block_device import device_path, whole_disk_of

_CHUNK = 1 << 20


def boot_areas_in_use(disk: str, root: Path = Path("/")) -> list[str]:
    """Paths of those that belong to the disk of that name and hold something, or cannot be read; in order.

    Every eMMC has two, and few boards start from one.
    """
    found = []
    for place in sorted((root / "sys/class/block").glob(f"{disk}boot[0-9]")):
        path = device_path(place.name)
        if whole_disk_of(place.name, root) == disk and not _is_empty(root / path.lstrip("/")):
            found.append(path)
    return found


def _is_empty(node: Path) -> bool:
    try:
        with node.open("rb") as area:
            # Erased memory reads as either (JEDEC JESD84, ERASED_MEM_CONT; from memory).
            return all(
                not chunk.strip(b"\0") or not chunk.strip(b"\xff") for chunk in iter(lambda: area.read(_CHUNK), b"")
            )
    except OSError:
        return False
