"""What `pick` prints."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from backupctl.cli.render import short, when
from backupctl.cli.text import facts, paragraph, table
from backupctl.domain.units import counted, local, size

Json = dict[str, Any]

_DIFF_SHOWN = 40  # lines of each change
_SHOWN = 10  # names of each kind; `--json` has more


def picked(result: Json) -> str:
    if not result:
        return ""
    items, done = result["items"], result["picked"]
    pairs = [
        ("capture", f"{result['capture']} of {result['board']}"),
        ("taken", local(result["taken"])),
        *(_item(item) for item in items[:_SHOWN]),
        *([("", f"and {len(items) - _SHOWN} more")] if len(items) > _SHOWN else []),
    ]
    if len(items) > 1 or items[0]["kind"] == "folder":
        pairs.append(("in all", f"{counted(result['count'], 'name')}, {size(result['total_bytes'])}"))
    lines = [facts(pairs), *map(paragraph, result["notes"])]
    lines += [paragraph(f"warning: {text}") for text in result["warnings"]]
    if done is None:
        return "\n".join([*lines, "Nothing was written."])
    return "\n".join([*lines, *outcome(done), "Picked."])


def outcome(done: Json) -> list[str]:
    """What is not as it was."""
    lines = _told("cannot be read", [f"{path}: {cause}" for path, cause in done["lost"]], done["lost_count"])
    lines += _told("not read everywhere from the card, with zeros in place of what is missing", done["unreadable"])
    lines += _told("changed while they were captured, so that their parts may not belong together", done["torn"])
    lines += _told("cannot be made here", [f"{path}: {cause}" for path, cause in done["skipped"]])
    if done["unset"]:
        lines.append("Not as on the board:")
        lines += [
            paragraph(f"  {what} ({count} times)" if count > 1 else f"  {what}")
            for what, count in done["unset"].items()
        ]
    return lines


def _item(item: Json) -> tuple[str, str]:
    about = "" if item["size"] is None else f"{size(item['size'])}, "
    return item["kind"], f"{item['path']} ({about}changed {_moment(item['modified_ns'])}) to {item['target']}"


def _moment(nanoseconds: int) -> str:
    return local(_rfc3339(nanoseconds)) or "at no time"


def _told(what: str, names: list[str], count: int | None = None) -> list[str]:
    count = len(names) if count is None else count
    if not count:
        return []
    more = [f"  and {count - _SHOWN} more"] if count > _SHOWN else []
    return [paragraph(f"{what[0].upper()}{what[1:]}:"), *(paragraph(f"  {name}") for name in names[:_SHOWN]), *more]


def history(result: Json) -> str:
    """The table of captures, and then each change."""
    versions = result["versions"]
    ids = [version["capture"] for version in versions]
    before: dict[str, list[Any]] = {}  # by lane: captures of a card and of files go by turns
    rows = []
    for version in versions:
        if version["problem"]:
            rows.append((short(version["capture"], ids), when(version["taken"]), "", "", version["problem"]))
            continue
        state = [version[key] for key in ("kind", "size", "sha256", "mode", "user", "group")]
        told = _told_of(version, state, before.get(version["lane"]))
        is_there = version["kind"] is not None
        rows.append((
            short(version["capture"], ids), when(version["taken"]),
            size(version["size"]) if version["kind"] == "file" else "",
            when(_rfc3339(version["modified_ns"])) if is_there else "",
            told + (", parts not read from the card" if version["has_zeros"] else ""),
        ))  # fmt: skip
        before[version["lane"]] = state
    lines = [
        f"{result['path']} of {result['board']}",
        "",
        table(("capture", "taken", "size", "its time", ""), rows, (2,)),
    ]
    if not result["changes"]:
        lines += ["", "It is the same in all of them."]
    if any(version["kind"] == "folder" for version in versions):
        told = (
            "Of what is below a folder, names, owners, permissions, sizes and times are compared, but not the content."
        )
        lines += ["", paragraph(told)]
    for change in result["changes"]:
        lines += ["", paragraph(_between(change, ids))]
        diff = change["diff"]
        if diff:
            lines += [f"  {line.expandtabs()}" for line in diff[2 : 2 + _DIFF_SHOWN]]
            lines += (
                [f"  ... and {len(diff) - 2 - _DIFF_SHOWN} more lines: see --json"]
                if len(diff) - 2 > _DIFF_SHOWN
                else []
            )
        elif diff is None and "content" in change["what"]:
            lines.append("  (no text, or too large to compare line by line)")
    return "\n".join(lines)


def _between(change: Json, ids: list[str]) -> str:
    return (
        f"Between {short(change['before'], ids)} and {short(change['after'], ids)}: "
        f"{', '.join(change['what'])}{' changed' if change['what'][-1] in _NOUNS else ''}"
    )


_NOUNS = ("content", "time", "permissions", "owner")


def _rfc3339(nanoseconds: int) -> str:
    try:
        return datetime.fromtimestamp(nanoseconds // 10**9).astimezone().isoformat()
    except (ValueError, OverflowError, OSError):
        return ""


def _told_of(version: Json, state: list[Any], before: list[Any] | None) -> str:
    if version["kind"] is None:
        return "not there"
    if before is None or before[0] is None:
        return str(version["kind"])
    return "the same" if state == before else "changed"


def ended(result: Json) -> str:
    """Of `browse`."""
    return f"{result['folder']} is as it was before."
