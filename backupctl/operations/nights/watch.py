"""Looking after all boards from a computer that only reads the share: a board that is dead sends nothing itself."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from backupctl.domain.errors import Exit
from backupctl.domain.moments import moment_or_none
from backupctl.domain.policy import Policy
from backupctl.domain.telling import THE_SHARE, Standing
from backupctl.domain.telling_words import Matter
from backupctl.operations.exit_codes import of_boards
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards import boards
from backupctl.operations.nights import sending
from backupctl.operations.nights.notify import look_within, ping, tell
from backupctl.operations.nights.standing import Matters, standing_of
from backupctl.operations.nights.telling_memory import Remembered, alone, file_for, recall
from backupctl.share.shelf import list_boards

Json = dict[str, Any]

_LOOK_SECONDS = 300.0  # sizes are added up file by file


def watch(share: Path, policy: Policy, facts: Facts) -> Json:
    """Behind `watch`: `found` is what `boards` gives, None if the share cannot be read; else as `tell_of_board`."""
    found, problems = look_within(_LOOK_SECONDS, partial(_look, share, facts))
    ways: list[Json] = []
    if sending.ways(policy.notify):
        now, path = facts.now(), file_for(facts.state_folder, "watch", share)
        with alone(path):
            known = recall(path, now)
            ended = tell(path, known, list(_standings(known, found, now)), policy.notify, facts)
        ways, problems = ended["ways"], problems + ended["problems"]
    if policy.notify.ping and found is not None and of_boards(found) is Exit.DONE:
        ways.append(ping(policy.notify))
    return {"found": found, "ways": ways, "problems": problems}


def _look(share: Path, facts: Facts) -> Json:
    found = boards(share, facts.now())
    alone = (share / "shelf.json").exists()
    return {**found, "names": [] if alone else list_boards(share)}


def _standings(known: Remembered, found: Json | None, now: datetime) -> Iterator[Standing]:
    yield Standing(THE_SHARE, {Matter.UNREADABLE: now if found is None else None})
    if found is None:
        return
    read = {item["board"]: item for item in found["boards"]}
    for board, item in read.items():
        yield standing_of(board, item, _matters(item, now), now)
    unreadable = set(found["names"]) - read.keys()
    for board in sorted(unreadable):
        yield Standing(board, {Matter.UNREADABLE: now, Matter.GONE: None})
    seen = {board for memory in known.ways.values() for board in memory.boards} - {THE_SHARE}
    for board in sorted(seen - read.keys() - unreadable):
        yield Standing(board, {Matter.GONE: now})


def _matters(item: Json, now: datetime) -> Matters:
    matters: Matters = {
        Matter.DAMAGE: now if item["damaged"] else None,
        Matter.PARTIAL: datetime.fromisoformat(item["partial_since"]) if item["partial_since"] else None,
        Matter.DRILL: moment_or_none(item["drill_failed"] or ""),
        Matter.UNREADABLE: None,
        Matter.GONE: None,
    }
    if item["away_until"] is None:
        matters[Matter.OVERDUE] = datetime.fromisoformat(item["overdue_from"]) if item["overdue"] else None
    return matters
