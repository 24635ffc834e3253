"""What this machine remembers of whom it told what, and of how a board stood when it could be looked at last."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.config_file import write_config
from backupctl.domain.errors import Exit
from backupctl.domain.telling import Memory, Trouble
from backupctl.domain.telling_words import Matter

_FOLDER = "told"


@dataclass(frozen=True)
class Remembered:
    """`ways`: by the name of the way, since one may fail while others work."""

    began: datetime  # nights before that are not missed
    seen: Mapping[str, Any] | None = None  # see `boards.about`; None: the share was never read
    last_night: Exit | None = None
    ways: Mapping[str, Memory] = field(default_factory=dict)


def file_for(state_folder: Path, who: str, share: Path) -> Path:
    """Where that is kept: for a board by its name, or for a watcher; and for each share."""
    place = hashlib.sha256(os.fsencode(share.absolute())).hexdigest()[:8]
    return state_folder / _FOLDER / f"{who}-{place}.json"


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """While the block lasts, nobody else tells by this memory."""
    try:
        path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
        lock = path.with_suffix(".lock").open("w")
    except OSError:
        yield  # nothing can be remembered there either, as `keep` says
        return
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def recall(path: Path, now: datetime) -> Remembered:
    """What is kept there. One that is missing or cannot be read is new: told twice is better than not at all."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return Remembered(
            # A clock that was ahead then must not make later nights unknown.
            began=min(_moment(kept["began"]), now),
            seen=kept["seen"] if isinstance(kept["seen"], dict) else None,
            last_night=None if kept["last_night"] is None else Exit(kept["last_night"]),
            ways={str(name): _memory(told) for name, told in kept["ways"].items()},
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return Remembered(began=now)


def keep(path: Path, remembered: Remembered) -> None:
    """Raises OSError."""
    kept = {
        "began": remembered.began.isoformat(),
        "seen": remembered.seen,
        "last_night": None if remembered.last_night is None else int(remembered.last_night),
        "ways": {name: _as_json(memory) for name, memory in remembered.ways.items()},
    }
    write_config(path, f"{json.dumps(kept, indent=2)}\n".encode(), 0o600)


def _memory(kept: Mapping[str, Any]) -> Memory:
    boards = {
        str(board): {
            Matter(matter): Trouble(_moment(trouble["since"]), int(trouble["said"]), trouble["over"] is True)
            for matter, trouble in matters.items()
        }
        for board, matters in kept["boards"].items()
    }
    return Memory(boards, str(kept["week"]))


def _as_json(memory: Memory) -> dict[str, Any]:
    boards = {
        board: {
            matter.value: {"since": trouble.since.isoformat(), "said": trouble.said, "over": trouble.over}
            for matter, trouble in matters.items()
        }
        for board, matters in memory.boards.items()
    }
    return {"boards": boards, "week": memory.week}


def _moment(text: str) -> datetime:
    """Aware. Raises ValueError, TypeError."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("a time without its offset")
    return moment
