"""What was planned, found or changed about the share, in words."""

from __future__ import annotations

from typing import Any

from backupctl.cli.text import command, facts, paragraph

Json = dict[str, Any]


def adopted(result: Json) -> str:
    whole = result["shelf"] != result["share"]
    lines = [f"{result['share']} is {'a share, with a' if whole else 'the'} shelf of {result['board']}."]
    return "\n".join([*lines, *(paragraph(f"note: {text}") for text in result["notes"])])


def planned(result: Json, called_as: list[str]) -> str:
    blocks = [what_is_written(result), reasons(result), on_the_server(result)]
    blocks += [paragraph(f"warning: {text}") for text in result["warnings"]]
    blocks.append(_written(result, called_as))
    return "\n\n".join(blocks)


def what_is_written(result: Json) -> str:
    """Files and lines, as they will be, below what is mounted where."""
    blocks = [paragraph(f"{result['source']}, mounted at {result['mount']}")]
    blocks += [
        file_text(file["path"], file["text"], "for root alone" if file["mode"] == "0600" else "")
        for file in result["files"]
    ]
    if result["fstab_line"]:
        replaced = f"in place of line {result['replaces_line']}" if result["replaces_line"] else "one more line"
        blocks.append(file_text("/etc/fstab", result["fstab_line"], replaced))
    return "\n\n".join(blocks)


def reasons(result: Json) -> str:
    return "\n".join(["Why:", _listed([(reason["option"], reason["why"]) for reason in result["reasons"]])])


def on_the_server(result: Json) -> str:
    return "\n".join(["On the server:", *(_item(text) for text in result["on_the_server"])])


def file_text(path: str, text: str, about: str = "") -> str:
    head = f"{path} ({about}):" if about else f"{path}:"
    # Not wrapped: lines are there to be copied.
    return "\n".join([head, *(f"  {line}" if line else "" for line in text.rstrip("\n").split("\n"))])


def _listed(pairs: list[tuple[str, str]]) -> str:
    """Short names with their words beside them, long ones with their words below."""
    return "\n".join(
        facts([(f"  {name}".ljust(16), words)]) if len(name) <= 14 else f"  {name}\n{paragraph(words, ' ' * 18)}"
        for name, words in pairs
    )


def _item(text: str) -> str:
    first, *more = paragraph(text, "    ").split("\n")
    return "\n".join([f"  - {first.strip()}", *more])


def _written(result: Json, called_as: list[str]) -> str:
    if not result["applied"]:
        return paragraph("Nothing was written. The same command with --apply, as root, writes it.")
    kept = f" The old fstab is {result['kept']}." if result["kept"] else ""
    lines = [paragraph(f"Written.{kept}"), *(paragraph(text) for text in result["notes"])]
    lines += ["", "Next, see that it can be mounted, and mark it as a share:", ""]
    lines += [command([*called_as, "share", "check"]), command([*called_as, "share", "adopt", result["mount"]])]
    return "\n".join(lines)


def moved(result: Json) -> str:
    pairs = [
        ("mount point", result["mount"]),
        ("before", result["from"]),
        ("now", result["to"]),
        ("found there", ", ".join(result["found"])),
        ("written in", result["place"] if result["moved"] else "nothing was written"),
        *([("kept", result["kept"])] if result["kept"] else []),
    ]
    return "\n".join([facts(pairs), *(paragraph(text) for text in result["notes"])])


def checked(result: Json, called_as: list[str]) -> str:
    blocks = [_checked(item["place"], item["faults"]) for item in result["lines"]]
    for share in result["shares"]:
        words = [share["state"], *filter(None, [share["share"], share["place"] or "in no table"])]
        head = f"{share['mount']}: {share['source']}\n{paragraph(', '.join(words), '  ')}"
        blocks.append(_checked(head, share["faults"]))
    if not result["shares"]:
        text = "No network share is mounted here, and no table names one."
        blocks.append(f"{text}\n\n{command([*called_as, 'share', 'plan'])}")
    return "\n\n".join(blocks)


def _checked(head: str, faults: list[Json]) -> str:
    if not faults:
        return f"{head}\n  Nothing is wrong with it."
    return "\n".join([head, *(f"{_item(fault['what'])}\n{paragraph(fault['todo'], ' ' * 6)}" for fault in faults)])
