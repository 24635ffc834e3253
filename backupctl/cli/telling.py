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
    MetricsOption,
    PolicyOption,
    ShareOption,
    facts_of_machine,
    run_command,
    wanted_share,
)
from backupctl.domain.errors import Exit, UsageError


def register(app: typer.Typer) -> None:
    app.command()(notify)
    app.command()(watch)
    app.command()(today)


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
    from backupctl.operations import notify as operation
    from backupctl.operations.exit_codes import of_telling

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
    nothing = "Nothing is to be told." if operation.has_way(chosen) else "The policy names nobody, under [notify]."
    print(json.dumps(result, indent=2) if as_json else _text(_lines(result) or [nothing]))
    sys.exit(of_telling(result))


def watch(
    share: ShareOption = None,
    policy: PolicyOption = None,
    metrics: MetricsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Looks after all boards from another computer, which needs no write access: tells what needs attention."""
    from backupctl.cli import boards_view
    from backupctl.cli.places import load_policy
    from backupctl.cli.text import printable
    from backupctl.operations.exit_codes import of_watch
    from backupctl.operations.metrics import of_boards, write_metrics
    from backupctl.operations.watch import watch as operation

    chosen = load_policy(policy)
    result = operation(wanted_share(share), chosen, facts_of_machine(chosen))
    found = result["found"]
    if metrics is not None and found is not None:
        write_metrics(metrics, of_boards(found))
    blocks = [printable(boards_view.boards(found))] if found is not None else []
    blocks += [_text(_lines(result))] if _lines(result) else []
    print(json.dumps(result, indent=2) if as_json else "\n\n".join(blocks))
    sys.exit(of_watch(result))


def today(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tells of this board: its last good capture, its next night, and what needs attention."""
    from backupctl.cli.places import load_policy
    from backupctl.cli.today_view import today as show
    from backupctl.operations.exit_codes import of_today

    chosen, folder = load_policy(policy), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.today import today as operation

        return operation(folder, board, chosen, facts)

    run_command(task, show, as_json, code=of_today)


def write_figures(file: Path, result: Json | None, ended: Exit, facts: Any, quiet: bool) -> None:
    """Those of a night, which does not fail because of that."""
    from backupctl.cli.view import View
    from backupctl.operations.metrics import of_night, write_metrics

    try:
        write_metrics(file, of_night(result, ended, facts.now()))
    except OSError as error:
        View(quiet).note(f"warning: the figures could not be written: {error}")


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


def _text(lines: list[str]) -> str:
    from backupctl.cli.text import paragraph, printable

    return "\n".join(paragraph(printable(line)) for line in lines)


def _lines(result: Json) -> list[str]:
    return [f"warning: {text}" for text in result["problems"]] + [_line(way) for way in result["ways"]]


def _line(way: Json) -> str:
    if not way["sent"]:
        return f"warning: not told by {way['way']}: {way['said']}"
    subject, said = way.get("subject"), way["said"]
    return f"told by {way['way']}{f': {subject}' if subject else ''}{f' ({said})' if said else ''}"
