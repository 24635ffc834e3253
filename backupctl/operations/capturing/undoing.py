"""Things done to a board for the time of a capture, which are undone whatever becomes of the capture.

What undoes a thing is written down on this machine before the thing is done. If the run is killed, its supervisor
undoes it; if that is killed as well, the next run or `backupctl thaw` does.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Sequence
from pathlib import Path

from backupctl.board.host import born
from backupctl.board.process import run
from backupctl.domain.errors import BackupctlError, Malformed
from backupctl.formats.strict_json import Fields
from backupctl.operations.progress import Reporter

_MOST_BYTES = 1 << 20


class Undoing:
    """What is to be undone of one run, last done first."""

    def __init__(self, state_folder: Path, reporter: Reporter, deadline_seconds: float) -> None:
        self._folder = state_folder / "undo"
        self._reporter = reporter
        self._deadline = deadline_seconds
        self._noted: list[Path] = []

    def do(self, command: Sequence[str], undo: Sequence[str]) -> None:
        """Runs `command` (none if empty), which `undo` (nothing if empty) undoes. Raises BackupctlError if it fails."""
        if undo:
            self._folder.mkdir(parents=True, exist_ok=True)
            name = f"{os.getpid()}-{len(self._noted):03}-{secrets.token_hex(4)}.json"
            note = self._folder / name
            process = os.getpid()
            told = {"process": process, "born": born(process), "command": list(undo), "seconds": self._deadline}
            with note.open("x") as file:
                json.dump(told, file)
                file.flush()
                os.fsync(file.fileno())
            self._noted.append(note)
        if command:
            run(command, self._deadline)

    def undo(self) -> list[str]:
        """Undoes all; what could not be, in words."""
        problems = [text for note in reversed(self._noted) if (text := _undo(note))]
        self._noted.clear()
        for text in problems:
            self._reporter.note(text)
        return problems


def undo_left_over(state_folder: Path) -> list[str]:
    """Undoes what runs that are no more have left; in words what was done, or could not be."""
    told = []
    folder = state_folder / "undo"
    for note in sorted(folder.glob("*.json"), reverse=True) if folder.is_dir() else ():
        if _has_owner(note):
            continue  # its run will do it
        told.append(_undo(note) or f"undone after a run that was killed: {note.name}")
    return told


def _has_owner(note: Path) -> bool:
    """Whether the run that made it, not this process, is still there; numbers of processes come again."""
    try:
        fields = Fields.parse(str(note), note.read_bytes()[:_MOST_BYTES])
        owner, started = fields.integer("process", high=1 << 31), fields.optional_text("born")
    except (Malformed, OSError):
        return False
    alive = born(owner)
    return owner != os.getpid() and alive is not None and started in (alive, None)


def _undo(note: Path) -> str | None:
    """Why it could not be undone; the note goes away in any case, or a command that cannot work would run for ever."""
    try:
        fields = Fields.parse(str(note), note.read_bytes()[:_MOST_BYTES])
        command, seconds = fields.texts("command"), fields.number("seconds") or 30.0
        note.unlink(missing_ok=True)
        run(command, seconds)
    except (BackupctlError, OSError) as error:
        return f"could not be undone: {error}"
    return None
