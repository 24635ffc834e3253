"""What a drill found, in words."""

from __future__ import annotations

from typing import Any

from backupctl.cli.text import facts, paragraph, table
from backupctl.domain.drill import Outcome, Verdict
from backupctl.domain.units import duration, local, size

Json = dict[str, Any]

_VERDICTS = {
    Verdict.PASSED: "The drill has passed: nothing is missing of what a board needs to boot from it.",
    Verdict.INCOMPLETE: "Nothing wrong was found, but not all that matters could be checked.",
    Verdict.FAILED: "The drill has failed: as it is, a board would perhaps not boot from it.",
}
_PASSED_AS_DATA = "The drill has passed: it can be read, and its file systems are sound. No board boots from it."


def drill(result: Json) -> str:
    plan: Json = result["plan"]
    pairs = [
        ("capture", plan["capture"]),
        ("of board", plan["board"]),
        ("taken", local(plan["taken"])),
        ("label", plan["label"] or ""),
    ]
    if not result["drilled"]:
        return "\n".join([facts([pair for pair in [*pairs, *room_of(plan)] if pair[1]]), "", "Nothing was done."])
    rows = [(found["name"], found["outcome"], found["detail"]) for found in result["findings"]]
    verdict = Verdict(result["verdict"])
    lines = [
        facts([pair for pair in [*pairs, ("took", duration(result["seconds"]))] if pair[1]]),
        "",
        table(("looked at", "found", ""), rows),
        "",
        paragraph(_VERDICTS[verdict] if not _is_data(result) else _PASSED_AS_DATA),
    ]
    lines += [paragraph(f"Not checked: {text}.") for text in result["not_checked"]]
    if verdict is Verdict.FAILED:
        lines.append(paragraph("An older capture may be whole: backupctl list says which have passed a drill."))
    return "\n".join(lines)


def _is_data(result: Json) -> bool:
    """Whether it has passed without anything on it that a board could boot from."""
    looked_at = {found["name"]: found["outcome"] for found in result["findings"]}
    return result["verdict"] == Verdict.PASSED and looked_at.get("boot") == Outcome.NOT_CHECKED


def room_of(plan: Json) -> list[tuple[str, str]]:
    """Where it is rebuilt, and whether there is room for that."""
    does = (
        "the capture is rebuilt there, keys and passwords included, checked, and removed"
        if plan["rebuilds"]
        else "too little room: it is read from the share, and its file systems are not checked"
    )
    return [
        ("scratch", f"{plan['scratch']}, with room for {size(plan['room_bytes'])}"),
        ("takes", f"up to {size(plan['needed_bytes'])}"),
        ("so", does),
    ]
