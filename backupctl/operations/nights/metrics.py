"""Figures for a monitoring system, in a file that is replaced in one step."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.config_file import write_config
from backupctl.domain.errors import BackupctlError, Exit
from backupctl.formats.openmetrics import Gauge, exposition

Json = dict[str, Any]


def write_metrics(file: Path, text: str) -> None:
    """Raises BackupctlError, also where there is no such folder: it may be a mount point with nothing mounted on it."""
    why = f"there is no folder {file.parent}" if not file.parent.is_dir() else "it is a folder" if file.is_dir() else ""
    try:
        if not why:
            write_config(file, text.encode(), 0o644)
    except OSError as error:
        why = error.strerror or str(error)
    if why:
        raise BackupctlError(f"the figures could not be written to {file}: {why}", "Name another file with --metrics.")


def of_boards(found: Json) -> str:
    """For what `boards` returns."""

    def gauge(name: str, help: str, value: Callable[[Json], float | None], unit: str = "") -> Gauge:
        values = [({"board": item["board"]}, value(item)) for item in found["boards"]]
        return Gauge(f"backupctl_{name}", help, [(who, some) for who, some in values if some is not None], unit)

    return exposition(
        [
            gauge(
                "last_good_capture_timestamp_seconds", "When the newest good capture was begun.", _last_good, "seconds"
            ),
            gauge("overdue", "1 if that is too long ago.", lambda item: int(item["overdue"])),
            gauge("captures", "Captures on the share.", lambda item: int(item["captures"])),
            gauge("unverified_captures", "Those of them not verified yet.", lambda item: int(item["unverified"])),
            gauge("damaged_captures", "Those of them that are damaged.", lambda item: int(item["damaged"])),
            gauge("shelf_bytes", "What the board has on the share.", lambda item: int(item["bytes"]), "bytes"),
            Gauge("backupctl_unusable_shelves", "Shelves that cannot be read.", [({}, len(found["problems"]))]),
        ]
    )


def _last_good(item: Json) -> float | None:
    started = item["newest_good_started"]
    return datetime.fromisoformat(started).timestamp() if started else None


def of_night(result: Json | None, code: Exit, now: datetime) -> str:
    """For what `run_night` returns, None if it came to nothing, and how the program ends."""
    captured = result["capture"] if result else None
    return exposition(
        [
            Gauge(
                "backupctl_night_end_timestamp_seconds",
                "When the last night ended.",
                [({}, now.timestamp())],
                "seconds",
            ),
            Gauge("backupctl_night_exit_code", "With which code it ended.", [({}, int(code))]),
            Gauge(
                "backupctl_night_written_bytes",
                "What its capture has written.",
                [({}, captured["written_bytes"])] if captured else [],
                "bytes",
            ),
        ]
    )
