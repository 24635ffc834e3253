"""Which share a folder is, and which one this machine knows it to be."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from backupctl.board.config_file import write_config
from backupctl.share.marks import read_share_mark, read_shelf_mark
from backupctl.share.storage import FolderStorage

_FILE = "shares.json"


@dataclass(frozen=True)
class Identity:
    """`board` is set where the folder is one board's shelf; then `id` is the shelf's, else the share's."""

    id: str
    board: str | None

    def __str__(self) -> str:
        return f"the shelf of {self.board} ({self.id[:8]})" if self.board else f"share {self.id[:8]}"


def identity_at(folder: Path) -> Identity | None:
    """None if there is no mark. Blocks if the share does. Raises OSError, Malformed, Refused."""
    storage = FolderStorage(folder)
    share = read_share_mark(storage)
    if share is not None:
        return Identity(share.id, None)
    shelf = read_shelf_mark(storage)
    return Identity(shelf.id, shelf.board) if shelf is not None else None


def remembered(state_folder: Path) -> dict[str, Identity]:
    """By absolute folder; nothing where there is no memory, or none that can be read."""
    try:
        told = json.loads((state_folder / _FILE).read_text(encoding="utf-8"))
        return {folder: Identity(str(found["id"]), _text(found["board"])) for folder, found in told.items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def remember(state_folder: Path, folder: Path, identity: Identity) -> None:
    """Raises OSError."""
    known = remembered(state_folder)
    if known.get(str(folder)) == identity:
        return
    known[str(folder)] = identity
    text = json.dumps({place: asdict(found) for place, found in sorted(known.items())}, indent=2)
    write_config(state_folder / _FILE, f"{text}\n".encode(), 0o644)
