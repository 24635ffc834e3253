"""Results in words: one function for each command, from the object that `--json` prints."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from backupctl.cli.text import command, facts, paragraph, table
from backupctl.domain.policy_changes import changes_in_words
from backupctl.domain.units import counted, local, size

Json = dict[str, Any]

_PLACES_SHOWN = 10  # of what is damaged; `--json` has more


def short(capture: str, ids: list[str]) -> str:
    """The shortest beginning of an id, not below the time in it, that no other shares."""
    for length in range(16, len(capture)):
        if sum(other.startswith(capture[:length]) for other in ids) == 1:
            return capture[:length]
    return capture


def _state(item: Json) -> str:
    """`good`, `partial`, `damaged`; `intact 24 Nov`, `drilled 24 Nov` for a good one that was so then."""
    if item["drilled"] and item["state"] == "good":
        return f"drilled {_date(item['drilled'], '%d %b', '%b %Y')}"
    if not item["verified"]:
        return str(item["state"])
    return f"{'intact' if item['state'] == 'good' else item['state']} {_date(item['verified'], '%d %b', '%b %Y')}"


def when(rfc3339: str) -> str:
    """`Tue 24 Nov 23:40`, with the year in place of the time where it is not this one."""
    return _date(rfc3339, "%a %d %b %H:%M", "%a %d %b %Y")


def day_and_hour(rfc3339: str) -> str:
    """`24 Nov 23:40`, with the year in place of the time where it is not this one."""
    return _date(rfc3339, "%d %b %H:%M", "%d %b %Y")


def _date(rfc3339: str, this_year: str, other_year: str) -> str:
    try:
        at = datetime.fromisoformat(rfc3339)
    except ValueError:
        return "?"
    return at.strftime(this_year if at.year == datetime.now().year else other_year)


def warnings_of(result: Json) -> str:
    return "\n".join(paragraph(f"warning: {text}", "") for text in result.get("warnings", ()))


def _extent(result: Json) -> tuple[str, str]:
    """How large a capture is, and how much of that is not empty."""
    whole, in_use = size(result["stream_bytes"]), size(result["in_use_bytes"])
    if result["kind"] == "files":
        return "archive", f"{whole}, of which {in_use} are contents of files"
    return "whole", f"{whole}, of which {in_use} in use"


def _extents(result: Json) -> list[tuple[str, str]]:
    if result["kind"] == "files":
        return [_extent(result)]
    whole = result["stream_bytes"]
    return [("whole", f"{size(whole)} ({whole} bytes)"), ("in use", size(result["in_use_bytes"]))]


def _names(counts: object) -> str:
    """Of a capture of files, how many of each kind; empty for what a record of a card says."""
    kinds = ("file", "folder", "link", "hard link", "fifo", "character device", "block device")
    told = counts if isinstance(counts, dict) else {}
    return ", ".join(counted(told[kind], kind) for kind in kinds if type(told.get(kind)) is int)


def _left_out(source: Json) -> str:
    """Of a capture of files, what it met and does not hold."""
    counts, beneath = source.get("counts"), source.get("beneath")
    told = counts if isinstance(counts, dict) else {}
    found = []
    ways = (("left out", "name", " by the policy"), ("sockets", "socket", ""), ("vanished", "name", " that vanished"))
    for key, noun, how in ways:
        if type(told.get(key)) is int and told[key]:
            found.append(counted(told[key], noun) + how)
    if isinstance(beneath, list):
        found += [f"/{path} (something else is mounted there)" for path in beneath]
    return ", ".join(found)


def _zeroed(ranges: list[list[int]]) -> str:
    return f"{counted(len(ranges), 'range')}, {size(sum(end - start for start, end in ranges))}"


def capture(result: Json) -> str:
    lines = [
        facts([
            ("capture", str(result["id"])),
            ("board", str(result["board"])),
            ("taken", f"{local(result['started'], zone=False)} to {' '.join(local(result['finished']).split()[4:])}"),
            _extent(result),
            ("written", size(result["written_bytes"])),
            *([("frozen", _frozen(result))] if result["frozen_seconds"] else []),
            ("state", str(result["state"])),
            *([("label", str(result["label"]))] if result["label"] else []),
            *([("guard", guard_words(result))] if result["guarded"] else []),
            *([("healed", ", ".join(result["healed"]))] if result.get("healed") else []),
        ]),
    ]  # fmt: skip
    lines.append(warnings_of(result))
    return "\n".join(line for line in lines if line)


def _frozen(result: Json) -> str:
    seconds = result["frozen_seconds"]
    return f"for {seconds:.2f} s, the instant that the image is of" if seconds else ""


def _drilled(result: Json) -> str:
    if result["drill_failed"]:
        return f"failed on {local(result['drill_failed'])}"
    return f"passed on {local(result['drilled'])}" if result["drilled"] else "never"


def number(body: Json, key: str) -> int:
    """A number from a place where nothing is sure; 0 if it is none."""
    value = body.get(key)
    return value if isinstance(value, int) else 0


def dry_run(result: Json) -> str:
    volumes = _volume_rows(result["layout"])
    lines = [
        facts([
            ("source", result["source"]),
            ("whole", size(result["stream_bytes"])),
            ("to read", size(result["read_bytes"])),
            ("to write", f"about {size(result['estimated_written_bytes'])}"),
            ("judged by", counted(result["sampled_segments"], "segment")),
        ]),
        "",
        *([table(_VOLUMES, volumes, right=(3, 4)), ""] if volumes else []),
        checks(result["checks"]),
        "",
        "Nothing was written.",
    ]  # fmt: skip
    return "\n".join(lines)


_VOLUMES = ("no.", "holds", "label", "size", "free", "identity")


def _volume_rows(layout: Json) -> list[tuple[str, ...]]:
    """The volumes of a card; a record's layout comes from the share as it is."""
    volumes = layout.get("volumes")
    return [
        (
            str(volume.get("partition") or "-"),
            str(volume.get("kind")),
            str(volume.get("label") or ""),
            size(number(volume, "end") - number(volume, "start")),
            size(number(volume, "free")),
            str(volume.get("identity") or ""),
        )
        for volume in (volumes if isinstance(volumes, list) else ())
        if isinstance(volume, dict)
    ]


def checks(found: list[Json]) -> str:
    rows = [(item["name"], item["result"], item["detail"]) for item in found]
    text = table(("check", "result", "found"), rows)
    todo = [paragraph(f"{item['name']}: {item['todo']}") for item in found if item["todo"]]
    return "\n".join([text, *(["", *todo] if todo else [])])


def captures(result: Json) -> str:
    found: list[Json] = result["captures"]
    lines: list[str] = []
    for board in dict.fromkeys(item["board"] for item in found):
        ours = [item for item in found if item["board"] == board]
        ids = [item["id"] for item in ours]
        rows = [
            (
                when(item["started"]),
                size(item["stream_bytes"]),
                size(item["in_use_bytes"]),
                size(item["written_bytes"]),
                _state(item),
                short(item["id"], ids),
            )
            for item in ours
        ]
        text = table(("taken", "whole", "in use", "written", "state", "capture"), rows, right=(1, 2, 3))
        lines += [f"board {board}", "", text, ""]
        for item in ours:
            lines += [paragraph(f"{short(item['id'], ids)}: {text}") for text in _remarks(item)]
    if not found:
        lines.append("There is no capture yet. Take one: backupctl capture")
    lines += [paragraph(f"warning: {text}") for text in result["problems"]]
    return "\n".join(lines).rstrip()


def _remarks(item: Json) -> list[str]:
    """What the table of captures has no column for."""
    label, reason = item["label"], item["guarded"]
    found = [str(label)] if label and label != reason else []
    if reason:
        found.append(f"{guard_words(item)}: {reason}")
    if item["accepted"]:
        found.append("what it lacks is accepted")
    if item["drill_failed"]:
        found.append(f"its drill failed on {when(item['drill_failed'])}")
    return found + [f"warning: {text}" for text in item["warnings"]]


def guard_words(item: Json) -> str:
    """`guarded`, `guarded until Thu 24 Dec 2026 23:59`."""
    return f"guarded until {local(item['guarded_until'], zone=False)}" if item["guarded_until"] else "guarded"


def show(result: Json) -> str:
    record: Json = result["record"]
    source: Json = record["source"]
    named = [str(source[key]) for key in ("model", "serial", "cid") if source.get(key)]
    pairs = [
        ("capture", result["id"]),
        ("board", result["board"]),
        ("label", result["label"] or ""),
        ("started", f"{local(result['started'])} ({record['zone']})"),
        ("finished", local(result["finished"])),
        ("source", " ".join([str(source.get("path")), *named])),
        *_extents(result),
        ("names", _names(source.get("counts"))),
        ("left out", _left_out(source)),
        ("read", size(record["read_bytes"])),
        ("written", f"{size(result['written_bytes'])}, {counted(record['new_segments'], 'new segment')}"),
        ("frozen", _frozen(result)),
        ("guard", f"{guard_words(result)}: {result['guarded']}" if result["guarded"] else ""),
        ("state", f"{result['state']}, which is accepted" if result["accepted"] else result["state"]),
        ("verified", local(result["verified"]) if result["verified"] else "never"),
        ("drilled", _drilled(result)),
        ("policy", str(record["policy"].get("name"))),
        ("changed", changes_in_words(result["policy_changes"])),
        ("zeroed", _zeroed(record["zeroed"]) if result["kind"] == "image" else ""),
        ("digest", record["streams"][0]["digest"]),
        ("made by", record["by"]),
    ]
    volumes = _volume_rows(record["layout"])
    lines = [facts([pair for pair in pairs if pair[1]]), ""]
    if volumes:
        lines.append(table(_VOLUMES, volumes, right=(3, 4)))
    if result["damaged_segments"]:
        lines.append(paragraph(f"damaged: no intact copy of {counted(len(result['damaged_segments']), 'segment')}"))
    lines.append(warnings_of(result))
    return "\n".join(lines).rstrip()


def verified(result: Json) -> str:
    turn = result["slice"]
    hurt = ((result["damaged_segments"], "segment"), (len(result["damaged_parts"]), "part"))
    damaged = [counted(count, noun) for count, noun in hurt if count]
    others = result["damaged_captures"] or result["unusable_captures"] or result["problems"]
    lines = [
        facts([
            ("board", result["board"]),
            ("checked", f"{counted(result['checked_segments'], 'segment')}, {size(result['checked_bytes'])}"),
            *([("slice", f"{turn[0] + 1} of {turn[1]}")] if turn else []),
            ("damaged", ", ".join(damaged) or ("no segment, but see below" if others else "nothing")),
            ("whole", "not judged by a slice" if turn else counted(len(result["whole_captures"]), "capture")),
        ]),
    ]  # fmt: skip
    for item in result["damaged_captures"]:
        lost = sum(end - start for start, end in item["ranges"])
        places = item.get("where") or []
        more = f", and {len(places) - _PLACES_SHOWN} more" if len(places) > _PLACES_SHOWN else ""
        where = f" in {', '.join(places[:_PLACES_SHOWN])}{more}" if places else ""
        lines.append(paragraph(f"damaged: {item['id']}: {item['cause']}; {size(lost)}{where}"))
    lines += [paragraph(f"unusable: {item['id']}: {item['cause']}") for item in result["unusable_captures"]]
    lines += [paragraph(f"healed: {capture}") for capture in result["healed_captures"]]
    lines += [paragraph(f"problem: {text}") for text in result["problems"]]
    if result["damaged_captures"] or result["damaged_segments"]:
        lines.append(paragraph("What is damaged is written anew by the next capture, if the card still holds it."))
    return "\n".join(lines)


def restore_plan(plan: Json) -> str:
    pairs = [
        ("capture", plan["capture"]),
        ("of board", plan["board"]),
        ("taken", f"{local(plan['taken'])} ({plan['age']} ago)"),
        ("label", plan["label"] or ""),
        _extent(plan),
        ("onto", plan["target"]),
        ("which is", plan["target_description"]),
        ("it holds", "; ".join(plan["target_contents"]) if plan["target_is_card"] else ""),
        ("then", "; ".join(plan["will_hold"])),
        *(("changed" if number == 0 else "", text) for number, text in enumerate(plan["changes"])),
    ]
    lines = [facts([pair for pair in pairs if pair[1]])]
    lines += [paragraph(f"warning: {text}") for text in plan["warnings"]]
    return "\n".join(lines)


def restored(result: Json) -> str:
    lines = [restore_plan(result["plan"])]
    if not result["restored"]:
        lines.append("Nothing was written.")
    elif result["plan"]["target_is_card"]:
        lines.append("Restored, and read back whole: every byte is as it should be.")
    else:
        if result.get("picked"):
            from backupctl.cli.picking_view import outcome

            lines += outcome(result["picked"])
        lines.append("Restored.")
        lines.append(paragraph("It holds what was captured, keys and passwords included. Keep it accordingly."))
    return "\n".join(lines)


def night(result: Json) -> str:
    """One line, as a journal wants it; what a step said at length went there when it ended."""
    steps = "; ".join(
        f"{step['name']} {step['result']}" + (f" ({step['said']})" if step["exit"] else "") for step in result["steps"]
    )
    if all(step["result"] == "done" for step in result["steps"]):
        steps = "all steps done"
    captured = result["capture"]
    written = f"; {size(captured['written_bytes'])} written" if captured else ""
    return f"night of {result['board'] or 'this board'}: {steps}{written} (code {result['exit']})"


def cards(found: list[Json]) -> str:
    blocks = []
    for card in found:
        about = [size(card["size"]), f"{card['sector_size']}-byte sectors"]
        about += [word for word, true in (("removable", card["removable"]), ("read-only", card["read_only"])) if true]
        pairs = [
            (card["path"], ", ".join(filter(None, (card["model"] or "no name", card["transport"])))),
            ("  serial", card["serial"]),
            ("  size", ", ".join(about)),
            ("  holds", card["unread"] and f"not known: {card['unread']}"),
            *(("  holds" if number == 0 else "", text) for number, text in enumerate(_volumes(card))),
            *(("  in use" if number == 0 else "", text) for number, text in enumerate(card["users"])),
            ("  system", f"runs from it: {', '.join(card['why'])}" if card["runs_system"] else ""),
            ("  twin", _twins(card["twins"])),
        ]
        blocks.append(facts([pair for pair in pairs if pair[1]]))
    return "\n\n".join(blocks) if blocks else "There is no card or disk on this machine."


def _twins(paths: list[str]) -> str:
    if not paths:
        return ""
    whose = f"{', '.join(paths)} {'has' if len(paths) == 1 else 'have'} the same identity"
    return f"{whose}: either may be booted from or mounted in place of the other; take one out"


def _volumes(card: Json) -> list[str]:
    if card["unread"]:
        return []
    named = [
        f"{volume['number'] or 'whole'}: {volume['kind']}, {size(volume['size'])}"
        + (f", labelled {volume['label']}" if volume["label"] else "")
        for volume in card["volumes"]
    ]
    return [f"{card['scheme'].upper()} partition table", *named] if card["scheme"] else named


def demo(result: Json, called_as: list[str]) -> str:
    rows = [
        (step["what"], f"{step['seconds']:.1f} s", size(step["bytes"]) if step["bytes"] else "")
        for step in result["steps"]
    ]
    total = ("all", f"{result['seconds']:.1f} s", "")
    lines = ["", table(("what", "time", "size"), [*rows, total], right=(1, 2)), ""]
    if not result["kept"]:
        return "\n".join([*lines, "The folder is removed again."])
    lines += [paragraph(f"The card, the share and what was restored stay in {result['folder']}. Try:"), ""]
    lines += [command([*called_as, *words]) for words in result["try"]]
    lines += ["", "Remove it all with:", "", command(["rm", "-r", result["folder"]])]
    return "\n".join(lines)
