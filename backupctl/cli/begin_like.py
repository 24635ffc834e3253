"""`begin --like BOARD`: all answers come from the shelf of another board, but for the share, the account, and a yes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from backupctl.board.host import board_name
from backupctl.cli import begin_share, begin_view
from backupctl.cli.begin_course import Course, Ended
from backupctl.cli.places import load_policy, policy_words, program
from backupctl.domain.errors import Exit, Refused, UsageError
from backupctl.domain.names import checked_board
from backupctl.domain.policy import Policy
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.formats.night_units import NightCommand
from backupctl.operations.capturing.subject import Subject
from backupctl.operations.fleet.beginning import Wish, sheet_file, ways_of
from backupctl.operations.fleet.boards_seen import ANOTHERS, boards_seen
from backupctl.operations.fleet.policy_of_board import TakenOver, policy_of_board, write_policy
from backupctl.operations.nights.retrying import zone_of

Json = dict[str, Any]


def agree(course: Course, wish: Wish, found: Json, board: str) -> Wish:
    """What is to be done then. What had to be agreed to is written: the share's table, and a policy.

    Raises StepFailed, Ended, BackupctlError.
    """
    talk, facts = course.talk, course.world.facts
    prepared = None
    if found["share"] is None or found["seen"] is None:
        there = found["share"] or _only(found["shares"])
        if there is not None and course.given.server is None:
            wish = replace(wish, share=begin_share.mounted(course, Path(there)))
        else:
            prepared = begin_share.prepare(course, like=board)
    folder = Path(prepared.plan.entry.mount_point) if prepared else wish.share or Path(found["share"])
    seen = prepared.seen if prepared else course.work(lambda *_: boards_seen(folder, facts, board))
    name = _name(wish, found, seen)
    taken = _policy(course, wish, seen, board)
    card = Subject(wish.source).card(taken.policy) or "the files that the policy names"
    shown = prepared.shown if prepared else None
    talk.say(begin_view.like({
        "board": board, "name": name, "folder": str(folder), "card": str(card), "seen": seen, "share": shown,
        **_of_policy(course, taken, name, folder),
    }))  # fmt: skip
    if talk.choose("Do all this?", ("yes", "quit"), "yes") == "quit":
        raise Ended(Exit.REFUSED)
    if prepared is not None:
        begin_share.write(course, prepared)
    write_policy(taken)
    words = policy_words(str(taken.file) if taken.file else taken.words)
    return replace(wish, share=folder, board=name, policy=words)


def _only(shares: list[Json]) -> str | None:
    return str(shares[0]["mount"]) if len(shares) == 1 else None


def _name(wish: Wish, found: Json, seen: Json) -> str:
    name = wish.board or found["board"] or board_name()
    checked_board(name)
    if wish.board is None and any(each["name"] == name and each["whose"] == ANOTHERS for each in seen["boards"]):
        raise Refused(
            f"this board is called {name}, as another one is on the share",
            "Give it a name of its own with --board. If it is that board, on a new card, say so with --board as well.",
        )
    return str(name)


def _policy(course: Course, wish: Wish, seen: Json, board: str) -> TakenOver:
    if wish.policy is not None:
        return TakenOver(load_policy(wish.policy), wish.policy, None, None, ())
    return policy_of_board(seen["policy"], board, course.world.root, _policy_here)


def _policy_here(name: str) -> Policy | None:
    try:
        return load_policy(name)
    except UsageError:
        return None


def _of_policy(course: Course, taken: TakenOver, name: str, folder: Path) -> Json:
    policy, facts = taken.policy, course.world.facts
    zone = zone_of(facts)
    night = next(parse_calendar_event(policy.schedule.when).after(facts.now(), zone), None)
    command = NightCommand(program(), ("--share", str(folder), "--board", name), str(folder))
    return {
        "policy": policy.name,
        "when": policy.schedule.when,
        "night": night.astimezone(zone).isoformat(timespec="seconds") if night else None,
        "file": str(taken.file) if taken.file else None,
        "text": taken.text,
        "notes": list(taken.notes),
        "units": [str(course.world.systemd.folder / unit) for unit in command.kit(policy).texts],
        "ways": ways_of(policy.notify),
        "sheet": str(sheet_file(course.world.root)),
    }
