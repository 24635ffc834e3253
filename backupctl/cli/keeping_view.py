"""What was said about keeping captures, in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.cli.render import guard_words
from backupctl.cli.text import command, paragraph, table
from backupctl.domain.freed import given_back
from backupctl.domain.units import counted, local, size

Json = dict[str, Any]

_OF = {"image": "card", "files": "files"}


def _named(item: Json) -> str:
    label = f", {item['label']}" if item["label"] else ""
    return f"{item['id']} ({local(item['started'], zone=False)}{label})"


def guarded(item: Json) -> str:
    return paragraph(f"{_named(item)} is {guard_words(item)}: {item['guarded']}")


def going_back(item: Json, called_as: list[str], share: Path) -> str:
    """The command that brings a guarded capture back."""
    words = [*called_as, "restore", item["id"], "CARD", "--board", item["board"], "--share", str(share)]
    return "\n".join(
        [
            "",
            "To go back to this state, on any computer that reaches the share:",
            "",
            command(words),
            "",
            paragraph("CARD is a card in a reader, such as /dev/sdb, or a file that is not there yet."),
        ]
    )


def unguarded(item: Json) -> str:
    return paragraph(f"{_named(item)} is not guarded any more; the policy decides how long it stays.")


def accepted(item: Json) -> str:
    return paragraph(f"{_named(item)} counts as good, and so do captures of this card that lack no more.")


def plan_as_json(result: Json) -> list[Json]:
    return [{key: item[key] for key in ("id", "action", "reasons")} for item in result["captures"]]


def plan(result: Json) -> str:
    """What a thinning does to each capture, and why."""
    several = len({item["kind"] for item in result["captures"]}) > 1
    rows: list[tuple[str, ...]] = []
    said_below = f": {result['held']}"
    for item in result["captures"]:
        label = f"{item['label']}: " if item["label"] else ""
        why = ", ".join(reason.removesuffix(said_below) for reason in item["reasons"])
        of = [_OF[item["kind"]]] if several else []
        rows.append((item["action"], local(item["started"], zone=False), *of, f"{label}{why}"))
    if not rows:
        return f"board {result['board']}: there is no capture yet"
    head = ("", "taken", "of", "why") if several else ("", "taken", "why")
    lines = [f"board {result['board']}", "", table(head, rows)]
    if result["held"]:
        lines += ["", paragraph(f"Nothing goes, since {result['held']}.")]
    if result["unusual"]:
        lines += ["", paragraph(f"warning: {result['unusual']}. A wrong clock and a wrong policy look like this.")]
    return "\n".join(lines)


def thinned(result: Json) -> str:
    if result.get("dry_run"):
        room = result["would_free_bytes"]
        frees = f"That would make {size(room)} of the share free, "
        frees += "at once." if result["tidy"] else "at the earliest a day later."
        frees = frees if room else "No room would come free by that."
        return "\n".join([plan(result), "", paragraph(frees)])
    came = _came_of_it(result)
    if result["unusual"] and not result["removed"]:
        came.append(paragraph("Look at what would go; if it is right, say --all."))
    shown = [] if result["asked"] else [plan(result), ""]
    return "\n".join([*shown, *came])


def discarded(result: Json) -> str:
    return "\n".join(_came_of_it(result))


def _came_of_it(result: Json) -> list[str]:
    removed = len(result["removed"])
    said = [f"{counted(removed, 'capture')} removed" if removed else "no capture removed"]
    in_trash = result["in_trash_bytes"]
    if result["expected_bytes"]:
        said.append(given_back(result["expected_bytes"], result["freed_bytes"]))
    if in_trash:
        said.append(f"{size(in_trash)} in the trash for a day and two runs, or until `backupctl thin --tidy`")
    if result["moved_bytes"]:
        said.append(f"{size(result['moved_bytes'])} of old parts moved together")
    if result["brought_back"]:
        said.append(f"{counted(len(result['brought_back']), 'part')} brought back from the trash")
    return [
        paragraph(f"{'; '.join(said)}."),
        *(paragraph(f"note: {text}") for text in result["waits"]),
        *(paragraph(f"warning: {text}") for text in result["problems"]),
    ]
