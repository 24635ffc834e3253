"""Events that could not reach a share, kept on this machine until the next run on the shelf delivers them."""

from __future__ import annotations

import json
import secrets
from dataclasses import asdict
from pathlib import Path

from backupctl.domain.events import Event
from backupctl.formats.strict_json import Fields


def keep(state_folder: Path, shelf: str, event: Event) -> None:
    """Behind those that are kept already. Raises OSError."""
    folder = _folder(state_folder, shelf)
    folder.mkdir(parents=True, exist_ok=True)
    numbers = [int(path.name[:10]) for path in kept(state_folder, shelf) if path.name[:10].isdigit()]
    (folder / f"{max(numbers, default=0) + 1:010}-{event.token}.json").write_text(json.dumps(asdict(event)))


def kept(state_folder: Path, shelf: str) -> list[Path]:
    """The files of the events of a shelf, in order."""
    return sorted(_folder(state_folder, shelf).glob("*.json"))


def read_kept(path: Path, sequence: int) -> Event:
    """With a new sequence and token, and its own time. Raises Malformed, OSError."""
    fields = Fields.parse(str(path), path.read_bytes())
    return Event(
        sequence, secrets.token_hex(4), fields.text("kind"), fields.text("time"),
        fields.flag("trusted"), fields.raw_object("by"), fields.raw_object("body"),
    )  # fmt: skip


def _folder(state_folder: Path, shelf: str) -> Path:
    return state_folder / "events" / shelf
