"""What somebody says of a board: that it goes on with another card, that it was replaced, or that it is away."""

from __future__ import annotations

from typing import Any

from backupctl.domain.errors import NotFound
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.session import HeldSession, say_of_shelf
from backupctl.share.shelf import Shelf


def continue_board(shelf: Shelf, what: str, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """`what`, the card or the board, was replaced: what comes is counted with what was. Raises NotFound, Busy.

    `protected` are the newest good captures of now; they stay until what is new is proven.
    """

    def say(held: HeldSession) -> dict[str, Any]:
        captures = captures_of(shelf)[0]
        newest = {record.kind: record for record in captures.records}
        if not newest:
            raise NotFound(f"{shelf.board} has no capture yet, so there is nothing to go on from", "Take one.")
        protected = []
        for record in newest.values():
            good = [r.id for r in captures.records if r.lane == record.lane and r.id in captures.good]
            capture = next((id for id in reversed(good) if id not in held.history.damaged_captures), None)
            held.event("continued", {"what": what, "lane": record.lane, "capture": capture}, must_arrive=True)
            protected += [capture] if capture else []
        return {"board": shelf.board, "what": what, "protected": protected}

    return say_of_shelf(shelf, facts, reporter, f"continuing of {shelf.board}", stop, say)


def away(shelf: Shelf, until: str | None, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """Until then (RFC 3339; None: it is back) nobody misses captures of the board. Raises Busy."""

    def say(held: HeldSession) -> dict[str, Any]:
        held.event("away", {"until": until}, must_arrive=True)
        return {"board": shelf.board, "until": until}

    return say_of_shelf(shelf, facts, reporter, f"absence of {shelf.board}", stop, say)
