"""Commands that tell somebody how boards stand."""

from __future__ import annotations

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
from backupctl.domain.errors import BackupctlError, Exit, UsageError


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
    """Tells those whom the policy names under [notify]. Without anything to tell, it prints nothing."""
    from backupctl.cli.places import load_policy, policy_to_tell_by
    from backupctl.operations.exit_codes import of_telling as exit_code

    if try_ways == due:
        raise UsageError("what is to be sent?", "Say --try for a test message, or --due for what there is to tell.")
    chosen, unusable = policy_to_tell_by(policy) if due else (load_policy(policy), "")
    folder, facts = wanted_share(share) if due else None, facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.host import uptime_seconds
        from backupctl.operations.nights.notify import tell_of_board, try_ways

        if folder is None:
            return try_ways(chosen, board, facts)
        return tell_of_board(folder, board, chosen, facts, uptime_seconds(), unusable=unusable)

    run_command(task, told_text, as_json, code=exit_code)


def watch(
    share: ShareOption = None,
    policy: PolicyOption = None,
    metrics: MetricsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Looks after all boards from another computer, which needs no write access: tells what needs attention."""
    from backupctl.cli import boards_view
    from backupctl.cli.places import policy_to_tell_by
    from backupctl.operations.exit_codes import of_watch as exit_code

    (chosen, unusable), folder = policy_to_tell_by(policy), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.nights.watch import watch as operation

        result = operation(folder, chosen, facts)
        return {**result, "problems": [unusable, *result["problems"]]} if unusable else result

    def show(result: Json) -> str:
        found = boards_view.boards(result["found"]) if result["found"] is not None else ""
        return "\n\n".join(filter(None, (found, told_text(result))))

    def write(result: Json | None, _: Exit) -> None:
        if metrics is not None and result is not None and result["found"] is not None:
            from backupctl.operations.nights.metrics import of_boards, write_metrics

            write_metrics(metrics, of_boards(result["found"]))

    run_command(task, show, as_json, code=exit_code, afterwards=write)


def today(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tells of this board: its last good capture, its next night, and what needs attention."""
    from backupctl.cli.places import load_policy
    from backupctl.cli.today_view import today as show
    from backupctl.operations.exit_codes import of_today as exit_code

    chosen, folder = load_policy(policy), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.nights.today import today as operation

        return operation(folder, board, chosen, facts)

    run_command(task, show, as_json, code=exit_code)


def write_figures(file: Path, result: Json | None, ended: Exit, facts: Any, quiet: bool) -> None:
    """Those of a night, which does not fail because of that."""
    from backupctl.cli.view import View
    from backupctl.operations.nights.metrics import of_night, write_metrics

    try:
        write_metrics(file, of_night(result, ended, facts.now()))
    except BackupctlError as error:
        View(quiet).note(f"warning: {error.cause}")


def after_night(
    share: Path, board: str | None, policy: Any, facts: Any, quiet: bool, result: Json | None, ended: Exit
) -> None:
    """Tells what a night makes worth telling. What goes wrong with that is a line in the journal, and no more."""
    if ended in (Exit.INTERRUPTED, Exit.TERMINATED):
        return  # somebody waits for the end
    from backupctl.cli.supervisor import run
    from backupctl.cli.view import View

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.host import uptime_seconds
        from backupctl.operations.nights.notify import NightEnded, tell_of_board

        return tell_of_board(share, board, policy, facts, uptime_seconds(), NightEnded(result, ended))

    view = View(quiet)
    told, _ = run(task, view)
    for line in _lines(told) if told else ():
        view.note(line)


def told_text(result: Json) -> str:
    from backupctl.cli.text import paragraph

    return "\n".join(map(paragraph, _lines(result)))


def _lines(result: Json) -> list[str]:
    return [f"warning: {text}" for text in result["problems"]] + [_line(way) for way in result["ways"]]


def _line(way: Json) -> str:
    if not way["sent"]:
        return f"warning: not told by {way['way']}: {way['said']}"
    subject, said = way.get("subject"), way["said"]
    return f"told by {way['way']}{f': {subject}' if subject else ''}{f' ({said})' if said else ''}"
