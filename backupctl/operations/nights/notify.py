"""Telling somebody: what there is to tell, by every way of the policy, each of which remembers what it has told.

Nothing here may make a night fail. What did not arrive is part of the result, and is tried again with the next look.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from backupctl.board.abandonable import within
from backupctl.board.host import board_name
from backupctl.domain.errors import BackupctlError, Exit, UsageError, of_system
from backupctl.domain.notify_policy import NotifyPolicy
from backupctl.domain.policy import Policy
from backupctl.domain.telling import Memory, Standing, message, noted, told, trial_message
from backupctl.domain.telling_words import Matter
from backupctl.operations.facts import Facts
from backupctl.operations.nights import sending
from backupctl.operations.nights.standing import (
    is_clock_trusted,
    look,
    matters_of_look,
    matters_of_night,
    missed_since,
    standing_of,
)
from backupctl.operations.nights.telling_memory import Remembered, alone, file_for, keep, recall

Json = dict[str, Any]

_LOOK_SECONDS = 60.0


@dataclass(frozen=True)
class NightEnded:
    """`result` is None for a night that came to none."""

    result: Json | None
    code: Exit


def try_ways(policy: Policy, board: str | None, facts: Facts) -> Json:
    """Behind `notify --try`: sends a test message by every way. Raises UsageError where the policy has none."""
    found = sending.ways(policy.notify)
    if not found and not policy.notify.ping:
        raise UsageError(
            f"policy {policy.name} has no way to tell anybody",
            "Set command, webhook or mail_server under [notify]; policies/standard.toml says what they are.",
        )
    test = trial_message(board or board_name())
    tried = [_attempt(name, partial(way, test, facts)) for name, way in found.items()]
    if policy.notify.ping:
        tried.append(ping(policy.notify))
    return {"ways": tried, "problems": []}


def tell_of_board(
    share: Path,
    board: str | None,
    policy: Policy,
    facts: Facts,
    uptime_seconds: float,
    night: NightEnded | None = None,
    unusable: str = "",
) -> Json:
    """Behind `notify --due`, and after a night: tells what there is to tell of this board, and was not told.

    Without a `night` the share is looked at only if there seems to be something: timers call this by day and by night,
    and the disks of a NAS sleep. `unusable`: why the nights cannot use their policy, where that is so.

    `ways`: what became of each message; `problems`: what else went wrong, in words.
    """
    ways: list[Json] = []
    wrong = [unusable] if unusable else []
    if policy.notify.ping and night and night.code in (Exit.DONE, Exit.WARNINGS):
        ways.append(ping(policy.notify))
    if not sending.ways(policy.notify):
        return {"ways": ways, "problems": wrong}
    name, now = board or board_name(), facts.now()
    path = file_for(facts.state_folder, name, share)
    with alone(path):
        known = recall(path, now)
        if unusable:
            known = replace(known, last_night=Exit.USAGE)
        stands = partial(_standing, name, night, policy, now - timedelta(seconds=uptime_seconds), facts)
        if night is None and known.seen is not None and not _is_due(known, stands(known, None), policy.notify, now):
            return {"ways": [], "problems": wrong}
        looked, problems = look_within(_LOOK_SECONDS, partial(look, share, board, facts))
        known = replace(
            known,
            seen=(looked and looked["board"]) or known.seen,
            last_night=night.code if night else known.last_night,
        )
        ended = tell(path, known, [stands(known, looked)], policy.notify, facts)
    return {"ways": ways + ended["ways"], "problems": wrong + problems + ended["problems"]}


def _standing(
    name: str,
    night: NightEnded | None,
    policy: Policy,
    booted: datetime,
    facts: Facts,
    known: Remembered,
    looked: Json | None,
) -> Standing:
    """`looked`: see `standing.look`; None where the share was not looked at."""
    now = facts.now()
    matters = matters_of_night(night.result, night.code, now) if night else {}
    matters |= matters_of_look(looked, facts)
    if is_clock_trusted(known.seen, facts) and not (looked and looked["at_work"]):
        matters[Matter.MISSED] = missed_since(policy.schedule, known.seen, known.began, booted, facts)
    return standing_of(name, known.seen, matters, now, known.last_night)


def _is_due(known: Remembered, standing: Standing, policy: NotifyPolicy, now: datetime) -> bool:
    """Whether somebody would be told something, if the board still stood so."""
    memories = (known.ways.get(name, Memory()) for name in sending.ways(policy))
    return any(message(noted(memory, [standing], now), [standing], now, policy.digest) for memory in memories)


def look_within(seconds: float, task: Callable[[], Json]) -> tuple[Json | None, list[str]]:
    """What a child sees on the share; None, and why, where it cannot."""
    try:
        return within(seconds, "the share", task), []
    except (BackupctlError, OSError) as error:
        return None, [f"the share cannot be looked at: {of_system(error).cause}"]


def tell(path: Path, known: Remembered, standings: Sequence[Standing], policy: NotifyPolicy, facts: Facts) -> Json:
    """Tells by every way what that way has not told, and remembers it."""
    now = facts.now()
    memories, attempts, problems = {}, [], []
    for name, way in sending.ways(policy).items():
        memory = noted(known.ways.get(name, Memory()), standings, now)
        due = message(memory, standings, now, policy.digest)
        if due is not None:
            attempts.append({**_attempt(name, partial(way, due, facts)), "subject": due.subject})
            memory = told(memory, due, now) if attempts[-1]["sent"] else memory
        memories[name] = memory
    try:
        keep(path, replace(known, ways=memories))
    except OSError as error:
        problems.append(f"what was told cannot be remembered, and will be told again: {error}")
    return {"ways": attempts, "problems": problems}


def ping(policy: NotifyPolicy) -> Json:
    """Says elsewhere that all is well; what became of it, like that of a way."""
    return _attempt("ping", partial(sending.ping, policy))


def _attempt(name: str, send: Callable[[], str]) -> Json:
    try:
        return {"way": name, "sent": True, "said": send()}
    except BackupctlError as error:
        return {"way": name, "sent": False, "said": " ".join(filter(None, (f"{error.cause}.", error.hint)))}
    except OSError as error:
        return {"way": name, "sent": False, "said": str(error)}
