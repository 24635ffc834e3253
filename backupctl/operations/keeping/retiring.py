"""Retiring a board: its whole shelf goes, guarded captures included, once its name was typed."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.errors import BackupctlError, Busy, Refused
from backupctl.domain.events import History, guard_of
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards import bytes_under
from backupctl.operations.keeping.secrets_found import secrets_found
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.session import HeldSession, hold, with_ballast
from backupctl.share.captures import Captures
from backupctl.share.readers import readers_now
from backupctl.share.retiring import (
    open_retired,
    remove_all_but_lock,
    remove_lock_and_mark,
    remove_records,
    take_mark,
)
from backupctl.share.shelf import Shelf, open_shelf

Json = dict[str, Any]


@dataclass(frozen=True)
class RetireOptions:
    """What is asked for. `show_plan` makes words of a plan, for the question."""

    said: str | None  # the name of the board, said again: stands for the answer to the question
    dry_run: bool
    show_plan: Callable[[Json], str]


def retire(folder: Path, board: str, options: RetireOptions, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """Removes the shelf of a board, after a question; or what an earlier call that was cut short has left of it.

    Gives `plan`, `retired`, and in `left` what else is in the shelf's folder. Raises Refused, Busy, BackupctlError.
    """
    begun = open_retired(folder, board)
    shelf = begun or open_shelf(folder, board)
    plan = _plan(shelf, begun is not None, facts, reporter, stop)
    if options.dry_run:
        return {"plan": plan, "retired": False, "left": []}
    if begun is None:
        _ask(options, plan, reporter)
    left = remove_shelf(shelf, facts, reporter, stop)
    return {"plan": plan, "retired": not left, "left": left}


def _plan(shelf: Shelf, begun: bool, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    captures, history = captures_of(shelf)
    now = facts.now()
    guards = [(record.id, guard_of(record, history, now)) for record in captures.records]
    return {
        "board": shelf.board,
        "path": str(shelf.path),
        "begun": begun,
        "captures": len(captures.records),
        "oldest": captures.records[0].started if captures.records else None,
        "newest": captures.records[-1].started if captures.records else None,
        "guarded": [{"id": id, "reason": guard.reason} for id, guard in guards if guard is not None],
        "bytes": bytes_under(shelf.path),
        **_secrets(shelf, captures, history, reporter, stop),
    }


def _secrets(shelf: Shelf, captures: Captures, history: History, reporter: Reporter, stop: Stop) -> Json:
    """Of the newest capture that counts as good; what is in older ones only is not looked for."""
    newest = next((record for record in reversed(captures.records) if record.id in captures.good), None)
    if newest is None:
        return {"secrets": [], "secrets_of": None, "secrets_unread": "there is no good capture to look into"}
    try:
        found = secrets_found(shelf, newest, history, reporter, stop)
    except (BackupctlError, OSError) as error:
        stop.check()
        return {"secrets": [], "secrets_of": newest.id, "secrets_unread": str(error)}
    return {"secrets": found, "secrets_of": newest.id, "secrets_unread": None}


def _ask(options: RetireOptions, plan: Json, reporter: Reporter) -> None:
    board = plan["board"]
    if options.said is not None:
        if options.said != board:
            raise Refused(f"{options.said} was said to be retired, but the board is {board}", "Nothing was removed.")
        return
    question = (
        f"{options.show_plan(plan)}\n"
        f"All of it will be removed, and cannot be brought back. Type the name of the board ({board}) to go on:"
    )
    if not reporter.ask(question, board):
        raise Refused(
            f"{board} was not retired, since its name was not typed",
            f"Nothing was removed. Where nobody can type it: --retire {board} --yes.",
        )


def remove_shelf(shelf: Shelf, facts: Facts, reporter: Reporter, stop: Stop) -> list[str]:
    """Removes all of a shelf, in the order of `share/retiring.py`; what is left in its folder, none of it ours.

    Raises Busy while a run or a reader is at work on it, BackupctlError for the share.
    """
    with_ballast(shelf, lambda: _remove_all_but_lock(shelf, facts, reporter, stop))
    left = remove_lock_and_mark(shelf.storage)
    if not left:
        with suppress(OSError):  # an empty folder does no harm
            shelf.path.rmdir()
    return left


def _remove_all_but_lock(shelf: Shelf, facts: Facts, reporter: Reporter, stop: Stop) -> None:
    storage = shelf.storage
    with hold(shelf, facts, reporter, f"retiring of {shelf.board}", stop=stop) as held:
        _refuse_while_read(held, facts, "Nothing was removed. Try again when that has ended.")
        reporter.step(Step("removing the shelf", 0, 0))
        take_mark(storage, held.lock)
        remove_records(storage, held.lock)
        _refuse_while_read(held, facts, "No capture is left. When that has ended, `boards retire` removes the rest.")
        remove_all_but_lock(storage, held.lock)


def _refuse_while_read(held: HeldSession, facts: Facts, hint: str) -> None:
    readers = readers_now(held.shelf.storage, held.server_time, facts.claim("").is_gone)
    if readers.names:
        raise Busy(f"somebody reads from the shelf of {held.shelf.board}: {', '.join(readers.names)}", hint)
