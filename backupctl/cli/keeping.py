"""Commands that say which captures are kept."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    AsOfOption,
    BoardOption,
    Json,
    JsonOption,
    ShareOption,
    UntilOption,
    YesOption,
    checked_naming,
    facts_of_machine,
    moment_of,
    run_command,
    until_of,
    wanted_share,
)

CaptureArgument = Annotated[
    str | None, typer.Argument(metavar="ID", help="Id, its beginning, label, or newest.", show_default=False)
]


def register(app: typer.Typer) -> None:
    app.command()(guard)
    app.command()(unguard)
    app.command()(accept)


def guard(
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it is kept.")],
    capture_name: CaptureArgument = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    until: UntilOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keeps a capture from being removed, until it is unguarded."""
    from backupctl.cli import keeping_view as view
    from backupctl.domain.record import Guard

    checked_naming(capture_name, as_of)
    folder, moment, facts, put_on = wanted_share(share), moment_of(as_of), facts_of_machine(), until_of(until)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.guards import guard as operation
        from backupctl.share.shelf import open_shelf

        wanted = Guard(reason, put_on)
        return operation(open_shelf(folder, board), capture_name, moment, wanted, facts, reporter, stop)

    run_command(task, view.guarded, as_json)


def unguard(
    capture_name: CaptureArgument = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Takes the guard off a capture, so that the policy decides."""
    from backupctl.cli import keeping_view as view

    checked_naming(capture_name, as_of)
    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.guards import unguard as operation
        from backupctl.share.shelf import open_shelf

        return operation(open_shelf(folder, board), capture_name, moment, facts, reporter, stop)

    run_command(task, view.unguarded, as_json)


def accept(
    capture_name: CaptureArgument = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Takes what a partial capture lacks as known, so that such captures count as good."""
    from backupctl.cli import keeping_view as view

    checked_naming(capture_name, as_of)
    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.acceptance import accept as operation
        from backupctl.share.shelf import open_shelf

        return operation(open_shelf(folder, board), capture_name, moment, yes, facts, reporter, stop)

    run_command(task, view.accepted, as_json)
