"""What `begin` says: steps, what was found, and what comes next."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from backupctl.cli import shares_view
from backupctl.cli.text import command, facts, paragraph, table
from backupctl.domain.units import counted, local, size, span
from backupctl.operations.fleet.boards_seen import ANOTHERS

Json = dict[str, Any]

OPENING = (
    "This sets up the nightly captures of this board. Nothing is written before it was shown, and you have said yes to "
    "it. ctrl-C ends it at any time: what is done stays done, and the same command goes on from there."
)
_ABOUT = {
    "share": "The network share that captures go to is mounted here.",
    "board": "This board gets a name on the share, and a shelf of its own.",
    "policy": "A policy says when captures are taken, and which of them are kept.",
    "capture": "A first capture is taken, while the board works.",
    "timer": "From then on a timer of systemd takes one whenever the policy says.",
    "message": "Whoever is to be told when something goes wrong gets a test message.",
    "drill": "What was captured is rebuilt for a while, and looked at as a board would that boots from it.",
    "sheet": "A page to print says what to do on the bad day, when this board cannot be asked. No password is on it.",
}
SKIPPED = {
    "capture": "The first night will take it, which then takes longer than others.",
    "timer": "Without a timer there are no captures but those that you take: backupctl capture",
    "message": "Whether a message would arrive is not known then: backupctl notify --try",
    "drill": "A night makes one when the policy says; or: backupctl drill",
    "sheet": "Print it another time: backupctl sheet --html FILE",
}


def overview(found: Json) -> str:
    rows = [(f"{step['number']} {step['name']}", step["state"], step["words"]) for step in found["steps"]]
    return table(("step", "state", "found"), rows)


def planned(found: Json) -> str:
    """Behind `--dry-run`."""
    ending = "Nothing was written. Without --dry-run, each step is shown, and done when you say so."
    return f"{overview(found)}\n\n{paragraph(ending)}"


def head(step: Json, of: int) -> str:
    title = f"Step {step['number']} of {of}: {step['name']}"
    lines = [title, "-" * len(title), paragraph(_ABOUT[step["name"]])]
    if step["state"] != "to do":
        lines.append(paragraph(f"{'Done already' if step['state'] == 'done' else 'Not right'}: {step['words']}"))
    return "\n".join(lines)


def share_found(share: Json) -> str:
    lines = [paragraph(f"This machine knows {share['source']}, at {share['mount']} ({share['state']}).")]
    lines += [paragraph(f"- {fault['what']}. {fault['todo']}", "  ") for fault in share["faults"]]
    return "\n".join(lines)


def prepared(shown: Json, seen: Json) -> str:
    blocks = ["It can be mounted. " + there(seen), "To be written:", shares_view.what_is_written(shown)]
    return "\n\n".join(
        [paragraph(blocks[0]), *blocks[1:], *(paragraph(f"warning: {text}") for text in shown["warnings"])]
    )


def there(seen: Json) -> str:
    """What a share holds, in a sentence."""
    if seen["identity"] is None:
        others = f"; other things lie there ({', '.join(seen['names'])}), and stay" if seen["names"] else ""
        return f"No board has been captured onto it yet{others}."
    if seen["alone"]:
        return f"It holds {seen['identity']}, which is all that may be seen of the share."
    names = ", ".join(board["name"] for board in seen["boards"]) or "none yet"
    return f"It holds {seen['identity']}, with the boards: {names}."


def boards(seen: Json) -> str:
    if not seen["boards"]:
        return paragraph(there(seen))
    rows = [
        (board["name"], board["whose"], local(board["newest"], zone=False) if board["newest"] else "")
        for board in seen["boards"]
    ]
    return table(("board on the share", "captured by", "last heard of"), rows)


def anothers(name: str) -> str:
    return paragraph(
        f"{name} is {ANOTHERS}: it took the newest captures there. Two boards on one shelf would look like one whose "
        "card is replaced every night. Say yes only if this is that board, on a new card or with a new system; if it "
        f"takes the place of that board, also run: backupctl boards continue {name} --new-board"
    )


def to_be_made(folder: str, name: str, seen: Json) -> str:
    made = [] if seen["identity"] else [f"{folder}/share.json (marks it as a share of this program)"]
    made += [f"{folder}/boards/{name}/ (the shelf)"] if not seen["alone"] else []
    if not made:
        return paragraph(f"{folder} is the shelf itself: this board joins it, and nothing has to be made.")
    return "\n".join(["To be made on the share, where it is not there:", *(f"  {line}" for line in made)])


def policies(listed: Sequence[Json]) -> str:
    rows = [(item["name"], item["when"], f"{item['about']} Keeps {item['keeps']}.") for item in listed]
    return table(("policy", "nights", "for"), rows)


def nobody_told(policy: str, shipped: str) -> str:
    own = f"/etc/backupctl/policies/{policy}.toml"
    lines = [
        paragraph(
            f"[notify] of policy {policy} is empty: nobody will be told when a night did not happen, or when the card "
            "is dying. To be told, put an address for e-mail, a webhook or a program there:"
        ),
        "",
        *(
            [command(["mkdir", "-p", "/etc/backupctl/policies"]), command(["cp", shipped, own])]
            if shipped != own
            else []
        ),
        command(["editor", own]),
        command(["backupctl", "notify", "--try", "--policy", policy]),
    ]
    return "\n".join(lines)


def findings(checks: list[Json]) -> str:
    """Those that are not fine, with what to do; and how many are."""
    found = [item for item in checks if item["result"] != "ok"]
    fine = f"{len(checks) - len(found)} of {counted(len(checks), 'check')} are fine."
    if not found:
        return fine
    lines = [
        table(("check", "result", "found"), [(item["name"], item["result"], item["detail"]) for item in found]),
        "",
    ]
    lines += [paragraph(f"{item['name']}: {item['todo']}") for item in found if item["todo"]]
    return "\n".join([*lines, fine])


def ahead(result: Json) -> str:
    seconds = result["estimated_seconds"]
    takes = "less than a minute" if seconds < 60 else f"about {span(60 * max(1, round(seconds / 60)))}"
    return facts([
        ("source", f"{result['source']}, {size(result['stream_bytes'])}, {size(result['in_use_bytes'])} in use"),
        ("to read", size(result["read_bytes"])),
        ("to write", f"about {size(result['estimated_written_bytes'])}"),
        ("takes", f"{takes}, at the rates that card and share have just shown; the board goes on working"),
    ])  # fmt: skip


def crontab(lines: list[str]) -> str:
    return "\n".join(["systemd does not run this system. Put into root's crontab (crontab -e):", "", *lines])


def closing(found: Json, share: str, called_as: list[str]) -> str:
    options = ["--share", share, *(["--board", found["board"]] if found["board"] else [])]
    return "\n".join([
        overview(found),
        "",
        "How this board stands, at any time; and how to go back to a capture:",
        "",
        command([*called_as, "today", *options]),
        command([*called_as, "restore", "--help"]),
    ])  # fmt: skip


def stopped(words: Sequence[str]) -> str:
    return "\n".join(["Stopped. What is done stays done. To go on:", "", command(words)])


def like(plan: Json) -> str:
    """Everything that `--like` will do."""
    blocks = [paragraph(f"This board, {plan['name']}, is to be like {plan['board']}.")]
    if plan["share"]:
        blocks += [paragraph(f"The share can be mounted. {there(plan['seen'])}")]
        blocks += [shares_view.what_is_written(plan["share"])]
        blocks += [paragraph(f"warning: {text}") for text in plan["share"]["warnings"]]
    blocks.append(to_be_made(plan["folder"], plan["name"], plan["seen"]))
    if plan["file"]:
        blocks.append(shares_view.file_text(plan["file"], plan["text"]))
    blocks += [paragraph(text) for text in plan["notes"]]
    told = f"a test message by {', '.join(plan['ways'])}" if plan["ways"] else "none: [notify] is empty, nobody is told"
    night = f"next {local(plan['night'], zone=False)}" if plan["night"] else "never"
    blocks.append(facts([
        ("policy", f"{plan['policy']}; nights: {plan['when']}, {night}"),
        ("capture", f"a first one, of {plan['card']}; its size and time are told before, and ctrl-C ends it"),
        ("timer", f"units in {plan['units'][0].rpartition('/')[0]}:"),
        *(("", unit.rpartition("/")[2]) for unit in plan["units"]),
        ("message", told),
        ("drill", "of that capture: it is rebuilt, checked and removed again; where, is told before"),
        ("sheet", f"the page to print for the bad day, as {plan['sheet']}"),
    ]))  # fmt: skip
    return "\n\n".join(blocks)


def sheet_written(file: str) -> str:
    lines = [paragraph("Written. Print it, and keep it where the NAS is. On the computer with the printer:"), ""]
    return "\n".join([*lines, command(["scp", f"root@{os.uname().nodename}:{file}", "."])])
