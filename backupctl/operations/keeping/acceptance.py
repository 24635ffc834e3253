"""Accepting what a failing card has lost, so that its captures count as good again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from backupctl.domain.errors import Refused, UsageError
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, CaptureRecord, volumes_within
from backupctl.domain.units import size
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, summary
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.session import HeldSession, say_of_shelf
from backupctl.share.shelf import Shelf


def accept(
    shelf: Shelf, name: str | None, as_of: datetime | None, yes: bool, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Says that what a partial capture lacks is known: captures of its card that lack no more count as good.

    Asks first, unless `yes`. The manifest holds the ranges themselves, since the capture will go one day. Gives the
    capture as `list --json` has it. Raises UsageError where nothing is to be accepted, Refused, Busy, BackupctlError.
    """
    captures, _ = captures_of(shelf)
    found = find_capture(captures, name, as_of)
    if found.state == GOOD:
        raise UsageError(f"{found.id} lacks nothing", "See `backupctl list` for those that are partial.")
    if found.id in captures.good:
        raise UsageError(f"what {found.id} lacks is accepted already", "Nothing is to be done.")
    if not yes and not reporter.ask(f"{_lost(found)} Type yes to accept that:", "yes"):
        raise Refused(f"what {found.id} lacks was not accepted", "Nothing was written. In a script: --yes.")

    def say(held: HeldSession) -> dict[str, Any]:
        record = find_capture(captures_of(shelf)[0], found.id)
        lost = [list(pair) for pair in record.unreadable]
        held.event("accepted", {"capture": record.id, "lane": record.lane, "ranges": lost}, must_arrive=True)
        return summary(record, held.history, facts.now())

    return say_of_shelf(shelf, facts, reporter, f"acceptance of {found.id}", stop, say)


def _lost(record: CaptureRecord) -> str:
    lost = Ranges(record.unreadable)
    return (
        f"{size(lost.total)} of the card could not be read for {record.id}, in "
        f"{', '.join(volumes_within(record, lost))}; they stand as zeros in it. Captures of this card that lack no "
        "more will count as good, and push older ones out, which may still have these bytes."
    )
