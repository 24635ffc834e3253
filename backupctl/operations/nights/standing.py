"""How a board stands, as far as somebody may have to be told: by its shelf, by its schedule, and by its last night."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from backupctl.board.health import under_voltage
from backupctl.domain.due import window_of
from backupctl.domain.errors import Exit
from backupctl.domain.events import History
from backupctl.domain.moments import moment_or_none
from backupctl.domain.policy import SchedulePolicy
from backupctl.domain.telling import Standing
from backupctl.domain.telling_words import Matter
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards import about
from backupctl.operations.nights.retrying import zone_of
from backupctl.operations.session import clock_distrust
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.operations.shares.share_identity import identity_at, remembered
from backupctl.share.lock import holder_now

Json = dict[str, Any]
Matters = dict[Matter, datetime | None]
"""As in `domain.telling.Standing`."""

_CLOCK = timedelta(hours=1)


def look(share: Path, board: str | None, facts: Facts) -> Json:
    """What a board's shelf says, as JSON, since a child has to ask: a share may not answer. Raises as a shelf does.

    `wrong_share`: it is another one than this machine knows there; `board`: as `boards.about`, None if there is no
    shelf; `at_work`: a run of this machine holds the shelf now.
    """
    identity, expected = identity_at(share), remembered(facts.state_folder).get(str(share.resolve()))
    wrong = identity is not None and expected is not None and identity != expected
    shelf = None if wrong else existing_shelf(share, board)
    holder = holder_now(shelf.storage) if shelf else None
    return {
        "wrong_share": wrong,
        "board": about(shelf, facts.now()) if shelf else None,
        "at_work": holder is not None and facts.claim("").is_gone(holder) is False,
    }


def matters_of_look(looked: Json | None, facts: Facts) -> Matters:
    """`looked`: None where the share could not be asked, and little is known."""
    now = facts.now()
    matters: Matters = {Matter.POWER: now} if under_voltage() else {}
    if looked is not None:
        matters[Matter.WRONG_SHARE] = now if looked["wrong_share"] else None
    board = looked["board"] if looked else None
    if board:
        since = board["partial_since"]
        matters[Matter.PARTIAL] = datetime.fromisoformat(since) if since else None
        if board["damaged"]:
            matters[Matter.DAMAGE] = now
        failed = moment_or_none(board["drill_failed"] or "")
        matters[Matter.DRILL] = min(failed, now) if failed else None
    return matters


def matters_of_night(result: Json | None, code: Exit, now: datetime) -> Matters:
    """What `night` has returned, None where it came to no result, and its exit code."""
    matters: Matters = {Matter.STALLED: now if code is Exit.STALLED else None}
    if result is None:
        return matters
    if any(_waits(result[step]) for step in ("room", "thin")):
        matters[Matter.THINNING] = now
    elif result["thin"]:
        matters[Matter.THINNING] = None
    if result["capture"]:
        # As preflight saw it: an alarm does not last for as long as a night.
        weak = any(warning.startswith("power: ") for warning in result["capture"]["warnings"])
        matters[Matter.POWER] = now if weak else None
    # Of a drill the shelf tells; see `matters_of_look`.
    codes = [step["exit"] for step in result["steps"] if step["name"] != "drill"]
    if Exit.DAMAGE in codes:
        matters[Matter.DAMAGE] = now
    elif result["verify"]:
        matters[Matter.DAMAGE] = None
    return matters


def _waits(thinned: Json | None) -> bool:
    return bool(thinned and thinned.get("unusual") and not thinned.get("removed"))


def missed_since(
    schedule: SchedulePolicy, board: Mapping[str, Any] | None, began: datetime, booted: datetime, facts: Facts
) -> datetime | None:
    """The first night since the newest capture, if that night is not tried any more; None where none is missed.

    `board` as in `boards.about`. Nights from before `began` are not looked at.
    """
    now, since = facts.now(), began
    if board and board["newest_finished"]:
        finished = datetime.fromisoformat(board["newest_finished"])
        if finished <= now + _CLOCK:  # else a clock was wrong then
            since = max(since, finished)
    night = next(parse_calendar_event(schedule.when).after(since, zone_of(facts)), None)
    return night if night and window_of(schedule, night, booted).ends <= now else None


def is_clock_trusted(board: Mapping[str, Any] | None, facts: Facts) -> bool:
    """Whether times that are planned can be compared with this machine's."""
    return clock_distrust(History(last_time=board["newest_event"] if board else ""), facts) is None


def standing_of(
    name: str, board: Mapping[str, Any] | None, matters: Matters, now: datetime, last_night: Exit | None = None
) -> Standing:
    """`board` as in `boards.about`, perhaps of a while ago; None where the share was never read."""
    if board is None:
        return Standing(name, matters, last_night=last_night)
    good, away = board["newest_good_started"], board["away_until"]
    return Standing(
        board["board"],
        matters,
        newest_good=datetime.fromisoformat(good) if good else None,
        captures=board["captures"],
        away=away is not None and now < datetime.fromisoformat(away),
        last_night=last_night,
    )
