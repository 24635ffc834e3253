"""Commands for timers: of nights, and of a computer that looks after all boards."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    BoardOption,
    DryRunOption,
    Json,
    JsonOption,
    PolicyOption,
    QuietOption,
    ShareOption,
    SourceOption,
    YesOption,
    facts_of_machine,
    run_command,
    wanted_share,
)
from backupctl.domain.errors import Exit, UsageError

# Where /etc is; tests put another folder in its place.
RootOption = Annotated[Path, typer.Option("--root", metavar="DIR", hidden=True)]


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Timers, for the nights of this board, or to look after all boards.", no_args_is_help=True)
    group.command("install")(install)
    group.command("show")(show)
    group.command("remove")(remove)
    group.command("due")(due)
    app.add_typer(group, name="timer")


def install(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    watch: Annotated[
        bool, typer.Option("--watch", help="Look after all boards instead, once a day, from another computer.")
    ] = False,
    yes: YesOption = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    root: RootOption = Path("/"),
) -> None:
    """Has systemd run the nights when the policy says, or look after all boards."""
    from backupctl.cli import timers_view as view
    from backupctl.cli.places import load_policy, policy_words, program
    from backupctl.operations.capturing.subject import Subject

    chosen, folder, facts = load_policy(policy), wanted_share(share), facts_of_machine()
    if watch and (board is not None or source is not None):
        raise UsageError("a watcher looks after all boards", "Leave out --board and --source.")
    if not watch:
        Subject(source).card(chosen)  # where it is not to be told, each night would fail

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.systemd import Systemd
        from backupctl.operations.nights import timer

        words = policy_words(policy)
        command = (
            timer.watch_command(program(), folder, words)
            if watch
            else timer.night_command(program(), folder, board, words, source)
        )
        options = timer.InstallOptions(view.question, yes=yes, dry_run=dry_run)
        return timer.install(command, chosen, options, Systemd(root), facts, reporter)

    run_command(task, view.installed, as_json)


def show(as_json: JsonOption = False, root: RootOption = Path("/")) -> None:
    """Shows what is installed, and when it goes off next."""
    from backupctl.cli import timers_view as view
    from backupctl.cli.places import load_policy

    def exit_code(result: Json) -> Exit:
        return Exit.WARNINGS if any(timer["outdated"] for timer in result["timers"]) else Exit.DONE

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.systemd import Systemd
        from backupctl.operations.nights.timer import show as operation

        return operation(Systemd(root), load_policy)

    run_command(task, view.shown, as_json, code=exit_code)


def remove(yes: YesOption = False, as_json: JsonOption = False, root: RootOption = Path("/")) -> None:
    """Takes the timers away; captures stay."""
    from backupctl.cli import timers_view as view

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.systemd import Systemd
        from backupctl.operations.nights.timer import remove as operation

        return operation(yes, Systemd(root), reporter)

    run_command(task, view.removed, as_json)


def due(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    root: RootOption = Path("/"),
) -> None:
    """Ends with 0 if the last night is to be tried again, with 9 if not."""
    from backupctl.cli import timers_view as view
    from backupctl.cli.places import load_policy

    chosen, folder, facts = load_policy(policy), wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.board.host import uptime_seconds
        from backupctl.board.systemd import Systemd
        from backupctl.operations.nights.retrying import due as operation
        from backupctl.operations.nights.timer import installed_at

        return operation(folder, board, chosen, facts, uptime_seconds(), installed_at(Systemd(root), facts))

    run_command(task, view.due, as_json, quiet, code=lambda result: Exit.DONE if result["due"] else Exit.POSTPONED)
