"""Removing one capture by hand."""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass
from datetime import datetime
from typing import Any

from backupctl.domain.errors import NotFound, Refused
from backupctl.domain.events import History, guard_of
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.record import CaptureRecord
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.removal import Removal, as_json, gone, remove
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.session import hold, with_ballast
from backupctl.share.captures import Captures, list_captures
from backupctl.share.shelf import Shelf
from backupctl.share.trash import FULL

Json = dict[str, Any]


@dataclass(frozen=True)
class DiscardOptions:
    """`again`: the id of the newest good capture, said again. `name` may be of one that cannot be used any more."""

    name: str
    _: KW_ONLY
    yes: bool = False
    again: str | None = None


def discard(shelf: Shelf, options: DiscardOptions, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """Removes one capture by hand, whatever the policy says. Raises Refused for a guarded one, NotFound, Busy."""
    captures, history = captures_of(shelf)
    id = _named(shelf, captures, options.name)
    _refuse_if_guarded(id, captures, history, facts.now())
    question = f"{id} will be removed from the share, and cannot be restored any more."
    if _is_newest_good(id, captures):
        wanted = f"{id} is the newest good capture of its kind"
        if options.again is not None and options.again != id:
            raise Refused(f"{wanted}, but {options.again} was said again", "Nothing was removed. Which is it?")
        if options.again is None and not reporter.ask(f"{question} It is the newest good one. Type its id:", id):
            raise Refused(f"{wanted}, and its id was not typed", f"In a script: --newest {id}.")
    elif not options.yes and not reporter.ask(f"{question} Type yes to remove it:", "yes"):
        raise Refused(f"{id} was not removed", "In a script: --yes.")

    def work() -> Removal:
        with hold(shelf, facts, reporter, f"discard of {id}", stop=stop) as session:
            known = list_captures(shelf.storage, shelf.mark, session.history)
            _refuse_if_guarded(_named(shelf, known, id), known, session.history, facts.now())
            if options.again is None and _is_newest_good(id, known) and not _is_newest_good(id, captures):
                raise Refused(f"{id} has become the newest good capture", "Nothing was removed. Look again.")
            return remove(session, known, {id: "by hand"}, "hand", None, FULL, 0, stop)

    removal = with_ballast(shelf, work)
    return {"board": shelf.board, "removed": gone(shelf, [id]), **as_json([removal])}


def _named(shelf: Shelf, captures: Captures, name: str) -> str:
    """The id of a capture, or of what is left of one. Raises NotFound, UsageError."""
    if CAPTURE_ID.fullmatch(name) and all(record.id != name for record in captures.records):
        if name in shelf.storage.names("captures"):
            return name
        raise NotFound(f"there is no capture {name!r}", "See `backupctl list`.")
    return find_capture(captures, name).id


def _record(id: str, captures: Captures) -> CaptureRecord | None:
    return next((record for record in captures.records if record.id == id), None)


def _refuse_if_guarded(id: str, captures: Captures, history: History, now: datetime) -> None:
    record = _record(id, captures)
    guard = guard_of(record, history, now) if record else None
    if guard is not None:
        raise Refused(f"{id} is guarded: {guard.reason}", f"Take the guard off first: backupctl unguard {id}")


def _is_newest_good(id: str, captures: Captures) -> bool:
    """Of its lane: with another card's captures, nobody gets this one's bytes back."""
    record = _record(id, captures)
    if record is None or id not in captures.good:
        return False
    later = (other for other in captures.records if other.lane == record.lane and other.sequence > record.sequence)
    return all(other.id not in captures.good for other in later)
