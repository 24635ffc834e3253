"""Commands that say which captures are kept."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    AsOfOption,
    BoardOption,
    DryRunOption,
    Json,
    JsonOption,
    PolicyOption,
    QuietOption,
    ShareOption,
    UntilOption,
    YesOption,
    checked_naming,
    facts_of_machine,
    moment_of,
    run_command,
    stall_of,
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
    app.command()(thin)
    app.command()(discard)


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
        from backupctl.operations.keeping.guards import guard as operation
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
        from backupctl.operations.keeping.guards import unguard as operation
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
    """Accepts what a partial capture lacks: such ones count as good."""
    from backupctl.cli import keeping_view as view

    checked_naming(capture_name, as_of)
    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.acceptance import accept as operation
        from backupctl.share.shelf import open_shelf

        return operation(open_shelf(folder, board), capture_name, moment, yes, facts, reporter, stop)

    run_command(task, view.accepted, as_json)


def thin(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    yes: YesOption = False,
    everything: Annotated[bool, typer.Option("--all", help="Also if more would go than is usual.")] = False,
    tidy: Annotated[bool, typer.Option("--tidy", help="Give back all room that can be, at once.")] = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Removes the captures that the policy does not want any more."""
    from backupctl.cli import keeping_view as view
    from backupctl.cli.places import load_policy
    from backupctl.operations.exit_codes import of_thinning as exit_code

    chosen, folder = load_policy(policy), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.thin import ThinOptions
        from backupctl.operations.keeping.thin import thin as operation
        from backupctl.share.shelf import open_shelf

        options = ThinOptions(chosen, view.plan, yes=yes, all=everything, dry_run=dry_run, tidy=tidy)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    run_command(
        task, view.thinned, as_json, quiet, exit_code, view.plan_as_json, stall_seconds=stall_of(chosen)
    )  # fmt: skip


def discard(
    capture_name: Annotated[str, typer.Argument(metavar="ID", help="Id, its beginning, or label.")],
    share: ShareOption = None,
    board: BoardOption = None,
    newest: Annotated[
        str | None, typer.Option("--newest", metavar="ID", help="Its id again, if it is the newest good one.")
    ] = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Removes one capture, whatever the policy says."""
    from backupctl.cli import keeping_view as view
    from backupctl.operations.exit_codes import of_thinning as exit_code

    folder, facts = wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.discard import DiscardOptions
        from backupctl.operations.keeping.discard import discard as operation
        from backupctl.share.shelf import open_shelf

        options = DiscardOptions(capture_name, yes=yes, again=newest)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    run_command(task, view.discarded, as_json, quiet, exit_code)
