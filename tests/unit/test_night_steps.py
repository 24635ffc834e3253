"""The order of a night: no step hides another, and the codes of all of them make one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.errors import BackupctlError, Busy, Damaged, Exit, Interrupted, NotFound, Postponed, worst
from backupctl.domain.policy import Policy
from backupctl.operations.facts import Facts
from backupctl.operations.nights.night import Night, NightStep, StepResult, run_night
from backupctl.operations.progress import Quiet, Stop


class Told(Quiet):
    """Keeps what a journal would get."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def note(self, text: str) -> None:
        self.lines.append(text)


def step(name: str, result: Any) -> NightStep:
    """A step that returns `result`, or raises it."""

    def run(_: Night) -> StepResult | None:
        if isinstance(result, BaseException):
            raise result
        assert result is None or isinstance(result, StepResult)
        return result

    return NightStep(name, run)


def fine(code: Exit = Exit.DONE) -> StepResult:
    return StepResult({"board": "mill"}, code, "it went well")


def night_of(*steps: NightStep) -> tuple[dict[str, Any], list[str]]:
    told = Told()
    facts = Facts("mill", "0" * 32, "0" * 32, "UTC", True, Path("nowhere"))
    night = Night(Path("nowhere"), "mill", Path("nothing"), Policy(), facts, told, Stop())
    return run_night(night, steps), told.lines


def words(result: dict[str, Any]) -> list[str]:
    return [f"{step['name']} {step['result']} {step['exit']}" for step in result["steps"]]


def test_all_well() -> None:
    result, lines = night_of(step("capture", fine()), step("verify", fine()))
    assert (result["exit"], words(result)) == (0, ["capture done 0", "verify done 0"])
    assert result["capture"] == {"board": "mill"}
    assert lines == ["capture: done: it went well", "verify: done: it went well"]


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (BackupctlError("no power", "Plug it in."), 1),
        (NotFound("no power", "Plug it in."), 2),
        (Busy("no power", "Plug it in."), 6),
        (OSError(5, "Input/output error"), 1),
    ],
)
def test_a_failure_hides_neither_what_was_nor_what_comes(error: Exception, code: int) -> None:
    result, lines = night_of(step("first", fine()), step("second", error), step("third", fine(Exit.WARNINGS)))
    assert words(result) == ["first done 0", f"second failed {code}", "third warnings 4"]
    assert result["exit"] == code
    assert (result["first"], result["second"], result["third"]) == ({"board": "mill"}, None, {"board": "mill"})
    assert lines[1] in (f"second: failed: {error}", f"second: failed: {error}. Plug it in.")
    assert len(lines) == 3


def test_the_worst_code_counts_wherever_it_comes() -> None:
    for steps in ((Damaged("a"), NotFound("b")), (NotFound("b"), Damaged("a"))):
        assert night_of(*(step(str(at), error) for at, error in enumerate(steps)))[0]["exit"] == 5


def test_a_wish_to_stop_ends_the_night() -> None:
    result, _ = night_of(step("a", Damaged("x")), step("b", Interrupted(terminated=True)), step("c", fine()))
    assert words(result) == ["a failed 5", "b failed 143", "c not run 0"]
    assert result["exit"] == 143


def test_a_night_that_is_put_off_does_nothing_else() -> None:
    result, lines = night_of(step("a", fine(Exit.WARNINGS)), step("b", Postponed("it prints")), step("c", fine()))
    assert words(result) == ["a warnings 4", "b put off 9", "c not run 0"]
    assert (result["exit"], lines[1]) == (9, "b: put off: it prints")
    assert night_of(step("a", Damaged("x")), step("b", Postponed("it prints")))[0]["exit"] == 5


def test_a_step_that_is_off() -> None:
    result, lines = night_of(step("capture", fine()), step("verify", None))
    assert words(result) == ["capture done 0", "verify off 0"]
    assert (result["exit"], result["verify"], lines[1]) == (0, None, "verify: off: off in the policy")


@pytest.mark.parametrize("code", [code for code in Exit if code not in (Exit.INTERRUPTED, Exit.TERMINATED)])
def test_every_code_that_a_step_may_end_with_has_a_rank(code: Exit) -> None:
    assert worst([Exit.DONE, code]) == code
