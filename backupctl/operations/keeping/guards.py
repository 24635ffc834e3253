"""Guards: marks, with a reason, that keep captures from being thinned out."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from backupctl.domain.errors import UsageError
from backupctl.domain.events import guard_of
from backupctl.domain.names import LABEL_MOST
from backupctl.domain.record import Guard
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, summary
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.session import HeldSession, say_of_shelf
from backupctl.share.shelf import Shelf


def guard(
    shelf: Shelf, name: str | None, as_of: datetime | None, put_on: Guard, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Guards a capture, or gives its guard another reason and end; the capture as `list --json` has it.

    A guard that is not on the share protects nothing: then this fails. Raises UsageError, Busy, BackupctlError.
    """
    if not 0 < len(put_on.reason) <= LABEL_MOST or not put_on.reason.isprintable():
        raise UsageError(f"{put_on.reason[:80]!r} cannot be a reason", f"Use 1 to {LABEL_MOST} printable characters.")
    found = find_capture(captures_of(shelf)[0], name, as_of)
    said = {"reason": put_on.reason, "until": put_on.until}
    return _say(shelf, found.id, "guarded", said, facts, reporter, stop)


def unguard(
    shelf: Shelf, name: str | None, as_of: datetime | None, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Takes the guard off a capture, so that the policy decides. Raises UsageError where there is none."""
    captures, history = captures_of(shelf)
    found = find_capture(captures, name, as_of)
    if guard_of(found, history, facts.now()) is None:
        raise UsageError(f"{found.id} is not guarded", "See `backupctl list` for those that are.")
    return _say(shelf, found.id, "unguarded", {}, facts, reporter, stop)


def _say(
    shelf: Shelf, id: str, kind: str, said: dict[str, Any], facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    def say(held: HeldSession) -> dict[str, Any]:
        # Looked for again: until the lock was ours, another run may have removed it.
        record = find_capture(captures_of(shelf)[0], id)
        held.event(kind, {"capture": id, **said}, must_arrive=True)
        return summary(record, held.history, facts.now())

    return say_of_shelf(shelf, facts, reporter, f"guard of {id}", stop, say)
