"""What has to be made ready before a capture goes onto a card, by what kind of capture it is."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass

from backupctl.domain.events import History
from backupctl.domain.files_policy import FILES
from backupctl.domain.record import CaptureRecord
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.card_making import Wishes
from backupctl.operations.restoring.preparing import Prepared, prepared
from backupctl.operations.restoring.suiting import Changes, Room, suited
from backupctl.share.shelf import Shelf


@dataclass(frozen=True)
class MadeReady:
    """`making`: to be entered; None if the capture goes onto the card as it is."""

    making: AbstractContextManager[Prepared] | None
    warnings: tuple[str, ...] = ()


def made_ready(
    shelf: Shelf, history: History, record: CaptureRecord, room: Room, changes: Changes, dry_run: bool,
    reporter: Reporter, stop: Stop, always: bool = False,
) -> MadeReady:  # fmt: skip
    """`always`: also where nothing has to be changed. Asks what was not said. Raises Refused if it does not suit."""
    if record.kind == FILES:
        from backupctl.operations.restoring.preparing_files import prepared_files

        wishes = Wishes(room.size, room.sector_size, True, changes.clone)
        return MadeReady(
            prepared_files(
                shelf, history, record, wishes, changes.root_kind, dry_run, changes.scratch, reporter, stop
            )
        )  # fmt: skip
    fitting = suited(shelf, history, record, room, changes, reporter)
    if fitting.wishes is None and not always:
        return MadeReady(None, fitting.warnings)
    needed = fitting.wishes or fitting.as_it_is
    return MadeReady(prepared(shelf, history, record, needed, changes.scratch, reporter, stop), fitting.warnings)
