"""Bringing a capture back into a file, as it is to be on a card of another size, or as a clone."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, makes_a_card
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.captured_layout import card_size_of, sector_size_of
from backupctl.operations.restoring.image_file import named_file, too_little_room
from backupctl.operations.restoring.making_ready import made_ready
from backupctl.operations.restoring.restore import left_alone, plan_file, restore_to_file, tell
from backupctl.operations.restoring.suiting import Changes, Room
from backupctl.share.shelf import Shelf


def restore_changed_to_file(
    shelf: Shelf, name: str | None, as_of: datetime | None, target: Path, size: int | None, dry_run: bool,
    changes: Changes, facts: Facts, reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes the bytes of a card of `size` bytes (None: of the captured one's) into a file. Raises Refused, Damaged."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of, makes_a_card)
    plan_file(record, history, target, facts.now())
    captured_size = card_size_of(record)
    room = Room(str(target), size or captured_size, sector_size_of(record))
    is_other_size = room.size != captured_size
    ready = made_ready(shelf, history, record, room, changes, dry_run, reporter, stop, always=is_other_size)
    if ready.making is None:
        return restore_to_file(shelf, record.id, None, target, dry_run, facts, reporter, stop)
    narrow = too_little_room(target, record.in_use_bytes)
    for text in narrow:
        reporter.note(text)
    with left_alone(shelf, record, facts), ready.making as made:
        plan = plan_file(
            record, history, target, facts.now(), made.changes, (*narrow, *ready.warnings, *made.warnings)
        )  # fmt: skip
        if dry_run:
            return {"plan": asdict(plan), "restored": False}
        with named_file(target, room.size) as file:
            made.source.pour(file, lambda *_: False, reporter, stop)
    body = {"capture": record.id, "target": str(target), "board": record.board, "changes": list(plan.changes)}
    tell(shelf, facts, reporter, "restored", body)
    picked = {"picked": made.picked} if made.picked else {}
    return {"plan": asdict(plan), "restored": True, **picked}
