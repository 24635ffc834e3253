"""What the timer runs: the steps of a night, each of which is told as it ends, and none of which hides another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.drill import NEVER, is_due
from backupctl.domain.errors import BackupctlError, Exit, Interrupted, NotFound, Postponed, worst
from backupctl.domain.freed import given_back
from backupctl.domain.moments import moment_or_none
from backupctl.domain.policy import Policy
from backupctl.domain.units import counted, size
from backupctl.operations import exit_codes
from backupctl.operations.capturing.capture import CaptureOptions
from backupctl.operations.capturing.capture_onto import capture_onto
from backupctl.operations.capturing.room import room_for
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.listing import captures_of
from backupctl.operations.preflight.check import as_json, refuse_if_any
from backupctl.operations.preflight.share import look_at_share
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.proving.drill import DrillOptions, drill
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.share.shelf import Shelf
from backupctl.share.trash import FULL, SHORT, Grace

Json = dict[str, Any]

DONE, WARNINGS, FAILED, OFF, NOT_RUN, PUT_OFF = "done", "warnings", "failed", "off", "not run", "put off"


@dataclass(frozen=True)
class Night:
    """What every step of a night is given."""

    share: Path
    board: str | None
    source: Path | None  # None: this board, as the policy has it
    policy: Policy
    facts: Facts
    reporter: Reporter
    stop: Stop


@dataclass(frozen=True)
class StepResult:
    """What came of a step: the object of its command, its exit code, and a few words for a journal."""

    outcome: Json
    code: Exit
    said: str


@dataclass(frozen=True)
class NightStep:
    """One step. `run` raises BackupctlError or OSError where it fails, and returns None where the policy has it off.

    Without one that is `needed` there is no night: nothing of the rest could be done.
    """

    name: str
    run: Callable[[Night], StepResult | None]
    needed: bool = False


def _look(night: Night) -> StepResult:
    """Whether the share is there, and the right one; the rest of preflight is the capture's."""
    checks = look_at_share(night.share, night.facts)
    refuse_if_any(checks)
    return StepResult({"board": night.board, "checks": as_json(checks)}, Exit.DONE, "the share is there")


def _capture(night: Night) -> StepResult:
    """Preflight, confirming what the last run wrote, the capture itself, and reading back what it wrote."""
    options = CaptureOptions(night.source, night.policy, scheduled=True)
    result = capture_onto(night.share, night.board, options, night.facts, night.reporter, night.stop)
    said = f"{result['id']}, {result['state']}, {size(result['written_bytes'])} written"
    return StepResult(result, exit_codes.of_capture(result), "; ".join([said, *result["warnings"]]))


def _verify(night: Night) -> StepResult | None:
    """Reads back tonight's part of all that is on the shelf, also where there is no new capture."""
    nights = night.policy.night.verify_nights
    if not nights:
        return None
    result = verify(_shelf(night), VerifyOptions(nights=nights), night.facts, night.reporter, night.stop)
    code = exit_codes.of_verification(result)
    return StepResult(result, code, f"{counted(result['checked_segments'], 'segment')} read back, {_found(result)}")


def _shelf(night: Night) -> Shelf:
    shelf = existing_shelf(night.share, night.board)
    if shelf is None:
        raise NotFound("the board has no shelf on the share yet", "The first capture makes it.")
    return shelf


def _make_room(night: Night) -> StepResult:
    """Thins before the capture, where little room is left on the share, and gives back what was removed before.

    What the last run wrote is confirmed first; where there is room, the capture does that.
    """
    shelf = existing_shelf(night.share, night.board)
    records = captures_of(shelf)[0].records if shelf else ()
    if not records:
        return StepResult({"board": night.board, "free_bytes": None}, Exit.DONE, "nothing to thin yet")
    room = room_for(night.share, records, records[-1].in_use_bytes, night.policy.space.reserve)
    if room.is_short:
        return _thin(night, SHORT, confirm=True)
    return StepResult({"board": night.board, "free_bytes": room.free}, Exit.DONE, str(room))


def _thin(night: Night, grace: Grace = FULL, confirm: bool = False) -> StepResult:
    """What the policy does not want any more goes. An unusual thinning waits for somebody to look at it."""
    options = ThinOptions(night.policy, show_plan=str, yes=True, confirm=confirm, grace=grace)
    result = thin(_shelf(night), options, night.facts, night.reporter, night.stop)
    return StepResult(result, exit_codes.of_thinning(result), _said_of_thinning(result))


def _drill(night: Night) -> StepResult | None:
    """Rebuilds a capture, and looks whether a board would boot from it, as often as the policy says."""
    every = night.policy.night.drill
    if every == NEVER:
        return None
    shelf = _shelf(night)
    history = captures_of(shelf)[1]
    if not is_due(moment_or_none(history.last_drill), history.last_drill_failed, every, night.facts.now()):
        return StepResult({"board": shelf.board, "drilled": False}, Exit.DONE, "none is due yet")
    try:
        result = drill(
            shelf, DrillOptions(scratch=Path(night.policy.night.scratch)), night.facts, night.reporter, night.stop
        )
    except Interrupted:
        raise
    except (BackupctlError, OSError) as error:
        # The capture is none the worse for it.
        return StepResult({"board": shelf.board, "drilled": False}, Exit.WARNINGS, f"it could not be made: {error}")
    said = [f"{result['capture']} {result['verdict']}", *result["wrong"], *result["warnings"]]
    return StepResult(result, exit_codes.of_drill(result), "; ".join(said))


def _said_of_thinning(result: Json) -> str:
    if result["held"]:
        return f"nothing goes, since {result['held']}"
    if result["unusual"] and not result["removed"]:
        return f"no capture was removed: {result['unusual']}; look at it with `backupctl thin`"
    given = given_back(result["expected_bytes"], result["freed_bytes"])
    said = f"{counted(len(result['removed']), 'capture')} removed, {given}"
    in_trash = [f"{size(result['in_trash_bytes'])} in the trash"] if result["in_trash_bytes"] else []
    return "; ".join([", ".join([said, *in_trash]), *result["problems"], *result["waits"]])


def _found(verified: Json) -> str:
    counts = (
        (verified["damaged_segments"], "damaged segment"),
        (len(verified["damaged_parts"]), "damaged part"),
        (len(verified["damaged_captures"]), "damaged capture"),
        (len(verified["problems"]), "problem"),
    )
    found = ", ".join(counted(count, noun) for count, noun in counts if count)
    return f"{found}; see `backupctl verify`" if found else "all intact"


STEPS: tuple[NightStep, ...] = (
    NightStep("share", _look, needed=True),
    NightStep("room", _make_room),
    NightStep("capture", _capture),
    NightStep("verify", _verify),
    NightStep("thin", _thin),
    NightStep("drill", _drill),
)


def run_night(night: Night, steps: tuple[NightStep, ...] = STEPS) -> Json:
    """The object that `night --json` prints: every step with what came of it, and the exit code of the whole.

    A step that fails is part of the result, and the next one runs all the same; what ends the night is a wish to stop,
    a step that is needed for all that follows, or an owner for whom now is not the time: reading back and rebuilding
    would be as much in the way as a capture.
    """
    told: list[Json] = []
    codes: list[Exit] = []
    stopped: Exit | None = None
    for step in steps:
        if stopped is not None:
            told.append(_told(step.name, NOT_RUN, Exit.DONE, "the night had ended before it"))
            continue
        try:
            result = step.run(night)
        except Interrupted as error:
            stopped = error.exit_code
            told.append(_told(step.name, FAILED, error.exit_code, error.cause, error.hint))
        except Postponed as error:
            codes.append(error.exit_code)
            stopped = worst(codes)
            told.append(_told(step.name, PUT_OFF, error.exit_code, error.cause, error.hint))
        except BackupctlError as error:
            codes.append(error.exit_code)
            stopped = error.exit_code if step.needed else None
            told.append(_told(step.name, FAILED, error.exit_code, error.cause, error.hint))
        except OSError as error:
            codes.append(Exit.FAILED)
            stopped = Exit.FAILED if step.needed else None
            told.append(_told(step.name, FAILED, Exit.FAILED, str(error)))
        else:
            if result is None:
                told.append(_told(step.name, OFF, Exit.DONE, "off in the policy"))
            else:
                codes.append(result.code)
                told.append(_told(step.name, _word(result.code), result.code, result.said, outcome=result.outcome))
        # At once, so that the journal has it whatever becomes of the steps after it.
        night.reporter.note(_line(told[-1]))
    code = worst(codes) if stopped is None else stopped
    found = {step["name"]: step["outcome"] for step in told}
    return {
        "board": next((item["board"] for item in found.values() if item), night.board),
        "exit": int(code),
        "steps": [{key: value for key, value in step.items() if key != "outcome"} for step in told],
        **found,
    }


def _line(step: Json) -> str:
    hint = f". {step['hint']}" if step["hint"] else ""
    return f"{step['name']}: {step['result']}: {step['said']}{hint}"


def _word(code: Exit) -> str:
    return {Exit.DONE: DONE, Exit.WARNINGS: WARNINGS}.get(code, FAILED)


def _told(name: str, result: str, code: Exit, said: str, hint: str = "", outcome: Json | None = None) -> Json:
    return {"name": name, "result": result, "exit": int(code), "said": said, "hint": hint, "outcome": outcome}
