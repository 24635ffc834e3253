"""Bringing a capture back into a file, as it is to be on a card of another size, or as a clone."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.captured_layout import sector_size_of
from backupctl.operations.restoring.preparing import prepared
from backupctl.operations.restoring.restore import left_alone, named_file, plan_file, restore_to_file, tell
from backupctl.operations.restoring.suiting import Changes, Room, suited
from backupctl.share.shelf import Shelf


def restore_changed_to_file(
    shelf: Shelf, name: str | None, as_of: datetime | None, target: Path, size: int | None, dry_run: bool,
    changes: Changes, facts: Facts, reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes the bytes of a card of `size` bytes (None: of the captured one's) into a file. Raises Refused, Damaged."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of)
    plan_file(record, history, target, facts.now())
    room = Room(str(target), size or record.stream_bytes, sector_size_of(record))
    fitting = suited(shelf, history, record, room, changes, reporter)
    if fitting.wishes is None and room.size == record.stream_bytes:
        return restore_to_file(shelf, record.id, None, target, dry_run, facts, reporter, stop)
    wishes = fitting.wishes or fitting.as_it_is
    with (
        left_alone(shelf, record, facts),
        prepared(shelf, history, record, wishes, changes.scratch, reporter, stop) as made,
    ):
        plan = plan_file(
            record, history, target, facts.now(), made.changes, (*fitting.warnings, *made.warnings)
        )  # fmt: skip
        if dry_run:
            return {"plan": asdict(plan), "restored": False}
        with named_file(target, room.size) as file:
            made.source.pour(file, lambda *_: False, reporter, stop)
    body = {"capture": record.id, "target": str(target), "board": record.board, "changes": list(plan.changes)}
    tell(shelf, facts, reporter, "restored", body)
    return {"plan": asdict(plan), "restored": True}
