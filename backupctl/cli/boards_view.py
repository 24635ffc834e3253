"""The boards on a share, and what was said of them, in words."""

from __future__ import annotations

from typing import Any

from backupctl.cli.render import day_and_hour
from backupctl.cli.text import facts, paragraph, table
from backupctl.domain.units import counted, local, size

Json = dict[str, Any]

_HEAD = ("last good", "age", "drill", "kept", "guarded", "unverified", "on share", "board")
# 3-2-1: "Data Backup Options", Ruggiero and Heckathorn, Carnegie Mellon University for US-CERT, 2012.
_ONE_SHARE = (
    "One share is not an off-site copy. The usual rule asks for three copies, on two kinds of media, one of them "
    "elsewhere; a card and one share are two copies on two media, none of them elsewhere."
)


def boards(result: Json) -> str:
    found: list[Json] = result["boards"]
    rows = [
        (
            day_and_hour(item["newest_good_started"]) if item["newest_good_started"] else "none",
            _span(item["age_seconds"]),
            _span(item["drill_age_seconds"]) or "none",
            str(item["captures"]),
            str(item["guarded"] or ""),
            str(item["unverified"] or ""),
            size(item["bytes"]),
            item["board"],
        )
        for item in found
    ]
    lines = [table(_HEAD, rows, right=(1, 2, 3, 4, 5, 6)) if rows else "There is no board on the share yet."]
    remarks = [f"{item['board']}: {text}" for item in found for text in _remarks(item)]
    remarks += [
        f"{name}: it is being retired, and not all of it has gone: backupctl boards retire {name}"
        for name in result["retired"]
    ]
    remarks += [f"warning: {text}" for text in result["problems"]]
    if remarks:
        lines += ["", *map(paragraph, remarks)]
    return "\n".join([*lines, "", paragraph(_ONE_SHARE)])


def _remarks(item: Json) -> list[str]:
    found = []
    if item["overdue"]:
        found.append(f"overdue since {local(item['overdue_from'], zone=False)}")
    if item["away_until"]:
        found.append(f"away until {local(item['away_until'], zone=False)}")
    if item["drill_failed"]:
        at = local(item["drill_failed"], zone=False)
        found.append(f"the drill of {at} failed: backupctl drill --board {item['board']}")
    if item["failed"]:
        found.append(f"the newest capture run failed: {item['failed']}")
    if item["damaged"]:
        found.append(f"{counted(item['damaged'], 'capture')} damaged: see `backupctl list`")
    return found + [f"warning: {text}" for text in item["problems"]]


def _span(seconds: int | None) -> str:
    """`40 min`, `26 h`, `12 d`."""
    if seconds is None:
        return ""
    minutes = seconds / 60
    return (
        f"{minutes:.0f} min"
        if minutes < 90
        else f"{minutes / 60:.0f} h"
        if minutes < 48 * 60
        else f"{minutes / 1440:.0f} d"
    )


def continued(result: Json) -> str:
    kept = ", ".join(result["protected"]) or "none"
    return paragraph(
        f"What comes of {result['board']} is counted with what was there before. Its newest good captures ({kept}) "
        f"stay until the new {result['what']} has three good ones, one of which has passed a drill."
    )


def away(result: Json) -> str:
    until = f"is away until {local(result['until'], zone=False)}" if result["until"] else "is here again"
    return f"{result['board']} {until}."


def retire_plan(plan: Json) -> str:
    taken = f"{counted(plan['captures'], 'capture')}"
    if plan["captures"]:
        taken += f", from {local(plan['oldest'], zone=False)} to {local(plan['newest'], zone=False)}"
    pairs = [("board", plan["board"]), ("shelf", plan["path"]), ("holds", taken), ("frees", size(plan["bytes"]))]
    pairs += [("guarded", f"{item['id']}: {item['reason']}") for item in plan["guarded"]]
    lines = [facts(pairs)]
    if plan["begun"]:
        lines.append(paragraph("It was being retired already; this removes what is left."))
        return "\n".join(lines)
    if plan["secrets"]:
        lines += ["", paragraph(f"Secrets that were found in {plan['secrets_of']}:"), ""]
        lines.append(facts([(f"  {item['kind']}", item["name"]) for item in plan["secrets"]]))
        lines += ["", paragraph("Change those that somebody may have seen, on the share or on the card.")]
    elif plan["secrets_unread"]:
        lines.append(paragraph(f"Its secrets could not be looked for: {plan['secrets_unread']}"))
    else:
        lines.append(paragraph(f"No key or password of a known form was found in {plan['secrets_of']}."))
    return "\n".join(lines)


def retired(result: Json, dry_run: bool) -> str:
    plan = result["plan"]
    if dry_run:
        return "\n".join([retire_plan(plan), "", "Nothing was removed."])
    said = [f"{plan['board']} is retired: {size(plan['bytes'])} are gone."]
    if result["left"]:
        left = ", ".join(result["left"])
        said = [
            f"All that was this program's has gone from {plan['path']}. What else is there stays: {left}. Remove it by "
            f"hand, and then say `backupctl boards retire {plan['board']}` once more."
        ]
    if plan["secrets"]:
        said += [f"Change what was in its images: {'; '.join(_secret(item) for item in plan['secrets'])}."]
    return "\n".join(map(paragraph, said))


def _secret(item: Json) -> str:
    return f"{item['kind']} {item['name']}"
