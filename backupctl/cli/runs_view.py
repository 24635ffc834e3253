"""The manifest in words, an event a line."""

from __future__ import annotations

from typing import Any

from backupctl.cli.render import number, when
from backupctl.cli.text import paragraph, table
from backupctl.domain.freed import given_back
from backupctl.domain.policy_changes import changes_in_words
from backupctl.domain.units import counted, local, size

Json = dict[str, Any]


def runs(result: Json) -> str:
    rows = [(when(event["time"]), event["board"], event["kind"], _event(event)) for event in result["events"]]
    text = table(("when", "board", "what", ""), rows) if rows else "Nothing has happened yet."
    return "\n".join([text, *(paragraph(f"warning: {problem}") for problem in result["problems"])])


def _event(event: Json) -> str:
    """What an event says, in a few words. Its body comes from the share as it is: nothing in it is sure."""
    body: Json = event["body"]
    damaged = _many(body, "damaged_copies") + _many(body, "damaged_parts")
    match event["kind"]:
        case "captured":
            many = _many(body, "warnings")
            extra = f", {counted(many, 'warning')}" if many else ""
            changed = changes_in_words(body.get("policy_changes"))
            extra += f"; policy changed: {changed}" if changed else ""
            return f"{body.get('capture')}, {body.get('state')}, {size(number(body, 'written_bytes'))} written{extra}"
        case "failed" | "interrupted":
            return f"{body.get('doing')}: {body.get('cause')}"
        case "verified":
            problems = _many(body, "problems")
            found = (f"{damaged} damaged" if damaged else "", counted(problems, "problem") if problems else "")
            hurt = ", ".join(filter(None, found)) or "all intact"
            match body.get("slice"):
                case [int(turn), int(nights)]:
                    which = f", slice {turn + 1} of {nights}"
                case _:
                    which = ""
            return f"{counted(number(body, 'checked_segments'), 'segment')}{which}: {hurt}"
        case "confirmed":
            return counted(_many(body, "confirmed_parts"), "part") + (f", {damaged} damaged" if damaged else "")
        case "restored":
            return f"{body.get('capture')} to {body.get('target')}"
        case "took-over":
            return f"the lock of {body.get('from')}, which had ended"
        case "guarded":
            return f"{body.get('capture')}{_until(body)}: {body.get('reason')}"
        case "unguarded" | "accepted":
            return str(body.get("capture"))
        case "drilled":
            passed, wrong = body.get("passed"), body.get("wrong")
            verdict = "passed" if passed is True else "failed" if passed is False else "not checked in all that matters"
            return "; ".join(
                [f"{body.get('capture')} {verdict}", *(map(str, wrong) if isinstance(wrong, list) else ())]
            )
        case "continued":
            return f"with a new {body.get('what')}, in one count with {body.get('capture') or 'what was before'}"
        case "away":
            return _until(body).lstrip() or "not any more"
        case "thinning":
            return f"{counted(_many(body, 'captures'), 'capture')} by {body.get('by')}"
        case "thinned":
            removed, in_trash = number(body, "expected_bytes"), number(body, "in_trash_bytes")
            given = given_back(removed, number(body, "freed_bytes")) if removed else ""
            room = (given, f"{size(in_trash)} in the trash" if in_trash else "")
            return ", ".join(filter(None, (counted(_many(body, "captures"), "capture"), *room)))
        case "tidied":
            return f"{counted(_many(body, 'rewritten'), 'part')}, {size(number(body, 'moved_bytes'))} moved"
        case _:
            return ""


def _until(body: Json) -> str:
    return f" until {local(until, zone=False)}" if isinstance(until := body.get("until"), str) else ""


def _many(body: Json, key: str) -> int:
    value = body.get(key)
    return len(value) if isinstance(value, list) else 0
