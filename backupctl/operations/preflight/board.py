"""Checks of the board's shelf, of its clock, and of its name."""

from __future__ import annotations

from datetime import datetime, timedelta

from backupctl.domain.clock import FORGIVEN
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord, card_of
from backupctl.domain.units import counted, duration, size, span
from backupctl.operations.capturing.room import LEAST, room_for
from backupctl.operations.preflight.check import OK, REFUSE, WARNING, Check
from backupctl.operations.preflight.situation import Situation
from backupctl.operations.session import clock_distrust
from backupctl.share.lock import holder_now

_NIGHTS = 3
_MINUTE = 60  # seconds


def check_shelf(situation: Situation) -> Check:
    if situation.shelf is None:
        return Check("shelf", OK, "the board is new on the share, and gets a shelf of its own")
    return Check("shelf", OK, f"the shelf of {situation.shelf.board}, {situation.shelf.path}")


def check_name(situation: Situation) -> Check:
    """Whether another board goes by this one's name: both would be captured in turn, and each would look replaced."""
    newest = next((record for record in reversed(situation.captures) if record.source.get("live")), None)
    if situation.shelf is None or situation.session is None or newest is None or situation.subject.live is None:
        return Check("name", OK, "no other board goes by it, as far as is known")
    history = situation.session.history
    machine = history.taken_by.get(newest.id, situation.facts.machine)
    continued = max((said.sequence for said in history.continued), default=0)
    same_card = card_of(newest.source) == card_of(situation.subject.identity)
    if machine == situation.facts.machine or same_card or newest.sequence < continued:
        return Check("name", OK, f"the board of the newest capture is this one, {situation.shelf.board}")
    name = situation.shelf.board
    return Check(
        "name", REFUSE, f"{name} is the name of another board: it took the newest capture, of its own card",
        f"Another name: --board. If it replaces that one: backupctl boards continue {name} --new-board",
    )  # fmt: skip


def check_policy(situation: Situation) -> Check:
    return Check("policy", OK, situation.policy.name)  # one that cannot be used ends the command before


def check_room(situation: Situation) -> Check:
    """What lacks room is a capture, and never a thinning."""
    percent = situation.policy.space.reserve
    room = room_for(situation.folder, situation.captures, situation.whole_bytes, percent)
    thin = "Make room on the NAS, or: backupctl thin"
    if room.free < LEAST:
        return Check("room", REFUSE, f"{size(room.free)} free; no capture is begun with less than {size(LEAST)}", thin)
    if room.free < room.wanted:
        return Check("room", WARNING, str(room), f"It may not fit; nothing is lost if it does not. {thin}")
    return Check("room", WARNING, str(room), thin) if room.is_short else Check("room", OK, str(room))


def check_time(situation: Situation) -> Check:
    """Whether a capture ends within the window: nights that overlap the day's work are stopped by people."""
    taken = [_seconds(record) for record in situation.captures[1:][-_NIGHTS:]]
    if taken:
        needed, by = max(taken), "as the last ones took"
    else:
        whole = situation.whole_bytes
        rates = [situation.policy.pace.rate, int(situation.probed.written) if situation.probed else 0]
        needed, by = max((whole / rate for rate in rates if rate), default=0.0), "by the share's rate"
    window = situation.policy.schedule.window
    said = f"about {duration(needed)} wanted, {by}; the window is {span(window)}"
    if needed <= window:
        return Check("time", OK, said)
    return Check("time", WARNING, said, "Make the window longer, or the link faster; the first capture takes longest.")


def _seconds(record: CaptureRecord) -> float:
    try:
        taken = datetime.fromisoformat(record.finished) - datetime.fromisoformat(record.started)
    except (ValueError, TypeError):
        return 0.0
    return max(0.0, taken.total_seconds())


def check_lock(situation: Situation) -> Check:
    holder = holder_now(situation.shelf.storage) if situation.shelf else None
    if holder is None:
        return Check("lock", OK, "nobody else is at work on the shelf")
    return Check(
        "lock",
        WARNING,
        f"{holder.name} says that it is at work ({holder.doing})",
        "A stale lock is found and followed.",
    )


def check_clock(situation: Situation) -> Check:
    why = _distrust(situation)
    if why is not None:
        todo = (
            "A capture is taken, and marked, but nothing is thinned. Set the clock, or, if you know that it is right, "
            'say trust = "always" under [clock] of the policy.'
        )
        return Check("clock", WARNING, why, todo)
    return Check("clock", OK, f"{situation.facts.now():%a %d %b %Y %H:%M %z}")


def check_server_clock(situation: Situation) -> Check:
    """Where this machine's cannot be trusted, `check_clock` says so; here it is the server's that is wrong."""
    name, server = "server's clock", situation.server_says()
    if server is None:
        return Check(name, OK, "the server is this machine")
    ahead = server - situation.facts.now()
    if abs(ahead) <= FORGIVEN or _distrust(situation) is not None:
        return Check(name, OK, words_of_difference(ahead))
    return Check(name, WARNING, words_of_difference(ahead), "Set the clock of the server.")


def _distrust(situation: Situation) -> str | None:
    history = situation.session.history if situation.session else History()
    return clock_distrust(history, situation.facts, situation.server_says())


def words_of_difference(ahead: timedelta) -> str:
    seconds = round(abs(ahead).total_seconds())
    if seconds < _MINUTE:
        return "the same as this machine's, to the minute"
    return f"{span(seconds)} {'ahead of' if ahead > timedelta(0) else 'behind'} this machine's"


def check_manifest(situation: Situation) -> Check:
    if situation.session is None:
        return Check("manifest", OK, "none yet")
    problems = situation.session.problems
    if not problems:
        return Check("manifest", OK, counted(situation.session.history.last_sequence, "event"))
    return Check("manifest", WARNING, "; ".join(problems[:3]), "Run `backupctl verify`.")
