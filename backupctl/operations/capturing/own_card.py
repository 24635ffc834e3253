"""The card that this system runs from, and ending a freeze of it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from backupctl.domain.errors import Refused, UsageError
from backupctl.operations.capturing.undoing import undo_left_over

_NAME_ONE = "Say --source PATH: a card file, or a device that `backupctl cards` lists."


def own_card() -> Path:
    """The whole disk under this system's root, through whatever lies between. Raises UsageError if it is not one."""
    if sys.platform != "linux":
        raise UsageError("which card?", _NAME_ONE)
    from backupctl.board.block_device import device_path
    from backupctl.board.system_disks import own_disks

    found = sorted(own_disks())
    if len(found) != 1:
        told = f"it runs from {', '.join(found)}" if found else "its root is on no disk that can be found"
        raise UsageError(f"which card? This system's own is not to be told: {told}", _NAME_ONE)
    return Path(device_path(found[0]))


def thaw(device: Path | None, state_folder: Path) -> dict[str, Any]:
    """Ends whatever freeze there is on a card (this system's own, if None), and undoes what a killed run has left.

    Harmless if there is nothing.
    """
    from backupctl.board.block_device import disk_of
    from backupctl.board.freezing import thaw_all

    path = device or own_card()
    try:
        thawed = thaw_all(disk_of(path))
    except PermissionError as error:
        raise Refused(f"{path} cannot be thawed: {error.strerror}", "Run the command as root.") from error
    return {"card": str(path), "thawed": thawed, "undone": undo_left_over(state_folder)}
