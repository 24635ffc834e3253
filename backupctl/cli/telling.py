"""Commands that tell somebody how boards stand."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    BoardOption,
    Json,
    JsonOption,
    PolicyOption,
    ShareOption,
    facts_of_machine,
    wanted_share,
)
from backupctl.domain.errors import Exit, UsageError


def register(app: typer.Typer) -> None:
    app.command()(notify)


def notify(
    try_ways: Annotated[bool, typer.Option("--try", help="Send a test message by every way.")] = False,
    due: Annotated[bool, typer.Option("--due", help="Tell what there is to tell by now; timers call this.")] = False,
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tells those whom the policy names, under [notify]."""
    from backupctl.cli.places import load_policy
    from backupctl.cli.text import printable
    from backupctl.operations import notify as operation

    if try_ways == due:
        raise UsageError("what is to be sent?", "Say --try for a test message, or --due for what there is to tell.")
    # No worker: what touches the share or the network is a child with a deadline.
    chosen = load_policy(policy)
    facts = facts_of_machine(chosen)
    if try_ways:
        result = operation.try_ways(chosen, board, facts)
    else:
        from backupctl.board.host import uptime_seconds

        result = operation.tell_of_board(wanted_share(share), board, chosen, facts, uptime_seconds())
    nothing = "Nothing is to be told."
    print(json.dumps(result, indent=2) if as_json else printable("\n".join(_lines(result)) or nothing))
    sys.exit(_code(result))


def after_night(
    share: Path, board: str | None, policy: Any, facts: Any, quiet: bool, result: Json | None, ended: Exit
) -> None:
    """Tells what a night makes worth telling. What goes wrong with that is a line in the journal, and no more."""
    if ended in (Exit.INTERRUPTED, Exit.TERMINATED):
        return  # somebody waits for the end
    from backupctl.board.host import uptime_seconds
    from backupctl.cli.view import View
    from backupctl.domain.errors import BackupctlError
    from backupctl.operations.notify import NightEnded, tell_of_board

    view = View(quiet)
    try:
        told = tell_of_board(share, board, policy, facts, uptime_seconds(), NightEnded(result, ended))
    except (BackupctlError, OSError) as error:
        view.note(f"warning: nobody could be told: {error}")
        return
    for line in _lines(told):
        view.note(line)


def _lines(result: Json) -> list[str]:
    return [f"warning: {text}" for text in result["problems"]] + [_line(way) for way in result["ways"]]


def _line(way: Json) -> str:
    if not way["sent"]:
        return f"warning: not told by {way['way']}: {way['said']}"
    subject, said = way.get("subject"), way["said"]
    return f"told by {way['way']}{f': {subject}' if subject else ''}{f' ({said})' if said else ''}"


def _code(result: Json) -> Exit:
    if any(not way["sent"] for way in result["ways"]):
        return Exit.FAILED
    return Exit.WARNINGS if result["problems"] else Exit.DONE
