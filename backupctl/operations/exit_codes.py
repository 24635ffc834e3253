"""The exit code that goes with a result; one place, since a night runs what the commands run."""

from __future__ import annotations

from typing import Any

from backupctl.domain.drill import Verdict
from backupctl.domain.errors import Exit, worst
from backupctl.domain.record import PARTIAL
from backupctl.operations.preflight.check import REFUSE, WARNING

_HURT = ("damaged_segments", "damaged_parts", "damaged_captures", "unusable_captures", "problems")


def of_capture(result: dict[str, Any]) -> Exit:
    """For what `capture` returns."""
    if result.get("state") == PARTIAL and not result["accepted"]:
        return Exit.PARTIAL
    return Exit.WARNINGS if result.get("warnings") else Exit.DONE


def of_checks(result: dict[str, Any]) -> Exit:
    """For what `preflight` returns."""
    results = {item["result"] for item in result["checks"]}
    return Exit.REFUSED if REFUSE in results else Exit.WARNINGS if WARNING in results else Exit.DONE


def of_listing(result: dict[str, Any]) -> Exit:
    """For what `list_all` and `cost` return."""
    return Exit.WARNINGS if result["problems"] else Exit.DONE


def of_boards(result: dict[str, Any]) -> Exit:
    """For what `boards` returns."""
    wanting = ("overdue", "failed", "damaged", "drill_failed", "problems")
    hurt = any(item[key] for item in result["boards"] for key in wanting)
    return Exit.WARNINGS if hurt or result["retired"] or result["problems"] else Exit.DONE


def of_telling(result: dict[str, Any]) -> Exit:
    """For what `notify.try_ways` and `notify.tell_of_board` return."""
    if any(not way["sent"] for way in result["ways"]):
        return Exit.FAILED
    return Exit.WARNINGS if result["problems"] else Exit.DONE


def of_watch(result: dict[str, Any]) -> Exit:
    """For what `watch` returns."""
    found = of_boards(result["found"]) if result["found"] is not None else Exit.FAILED
    return worst([found, of_telling(result)])


def of_today(result: dict[str, Any]) -> Exit:
    """For what `today` returns."""
    return Exit.WARNINGS if result["attention"] else Exit.DONE


def of_retiring(result: dict[str, Any]) -> Exit:
    """For what `retire` returns."""
    return Exit.WARNINGS if result["left"] else Exit.DONE


def of_thinning(result: dict[str, Any]) -> Exit:
    """For what `thin` and `discard` return."""
    left = result.get("held") or (result.get("unusual") and not result.get("removed"))
    return Exit.WARNINGS if left or result.get("problems") else Exit.DONE


def of_drill(result: dict[str, Any]) -> Exit:
    """For what `drill` returns."""
    if not result["drilled"]:
        return Exit.DONE
    if result["verdict"] == Verdict.FAILED:
        return Exit.DAMAGE
    return Exit.WARNINGS if result["verdict"] == Verdict.INCOMPLETE or result["warnings"] else Exit.DONE


def of_verification(result: dict[str, Any]) -> Exit:
    """For what `verify` returns."""
    return Exit.DAMAGE if any(result[key] for key in _HURT) else Exit.DONE


def of_restoring(result: dict[str, Any]) -> Exit:
    """For what `restore` returns: unlike a pick, all of a tree is to be as it was."""
    done = result.get("picked") or {}
    code = of_picking(result)
    return Exit.WARNINGS if code is Exit.DONE and done.get("unset") else code


def of_picking(result: dict[str, Any]) -> Exit:
    """For what `pick` returns; {} where the content went to standard output."""
    done = result.get("picked") or {}
    if done.get("lost_count"):
        return Exit.DAMAGE
    if done.get("unreadable"):
        return Exit.PARTIAL
    return Exit.WARNINGS if done.get("skipped") or done.get("torn") or result.get("warnings") else Exit.DONE
