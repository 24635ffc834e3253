"""Commands for the boards on a share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    DryRunOption,
    Json,
    JsonOption,
    MetricsOption,
    QuietOption,
    ShareOption,
    YesOption,
    facts_of_machine,
    run_command,
    until_of,
    wanted_share,
)
from backupctl.domain.errors import Exit, UsageError

BoardArgument = Annotated[str, typer.Argument(metavar="NAME", help="The board.", show_default=False)]


def register(app: typer.Typer) -> None:
    group = typer.Typer(invoke_without_command=True)
    group.callback()(boards)
    group.command("continue")(continue_board)
    group.command()(away)
    group.command()(retire)
    app.add_typer(group, name="boards")


def boards(
    context: typer.Context,
    share: ShareOption = None,
    metrics: MetricsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tells of every board on the share, and what needs attention."""
    if context.invoked_subcommand is not None:
        if metrics is not None or as_json:
            raise UsageError("--json goes behind the word of what to do, and --metrics only with `boards` itself")
        context.obj = share
        return
    from backupctl.cli import boards_view as view
    from backupctl.operations.exit_codes import of_boards as exit_code

    folder, facts = wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.fleet.boards import boards as operation

        return operation(folder, facts.now())

    def write(result: Json | None, _: Exit) -> None:
        if metrics is not None and result is not None:
            from backupctl.operations.nights.metrics import of_boards, write_metrics

            write_metrics(metrics, of_boards(result))

    run_command(task, view.boards, as_json, code=exit_code, afterwards=write)


def _share(context: typer.Context, share: Path | None) -> Path:
    """Named behind the subcommand, or before it."""
    return wanted_share(share or context.obj)


def continue_board(
    context: typer.Context,
    board: BoardArgument,
    new_card: Annotated[bool, typer.Option("--new-card", help="The board has another card.")] = False,
    new_board: Annotated[bool, typer.Option("--new-board", help="The board itself was replaced.")] = False,
    share: ShareOption = None,
    as_json: JsonOption = False,
) -> None:
    """Counts what comes together with what was there before."""
    from backupctl.cli import boards_view as view

    if new_card == new_board:
        raise UsageError("what was replaced?", "Say --new-card or --new-board.")
    folder, facts = _share(context, share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.fleet.continuing import continue_board as operation
        from backupctl.share.shelf import open_shelf

        return operation(open_shelf(folder, board), "card" if new_card else "board", facts, reporter, stop)

    run_command(task, view.continued, as_json)


def away(
    context: typer.Context,
    board: BoardArgument,
    until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="So long.", show_default=False)] = None,
    back: Annotated[bool, typer.Option("--back", help="It is here again.")] = False,
    share: ShareOption = None,
    as_json: JsonOption = False,
) -> None:
    """Misses no captures for a while: it is switched off, or lent."""
    from backupctl.cli import boards_view as view

    if (until is None) != back:
        raise UsageError("how long is it away?", "Say --until DATE, or --back.")
    folder, facts, end = _share(context, share), facts_of_machine(), until_of(until)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.fleet.continuing import away as operation
        from backupctl.share.shelf import open_shelf

        return operation(open_shelf(folder, board), end, facts, reporter, stop)

    run_command(task, view.away, as_json)


def retire(
    context: typer.Context,
    board: BoardArgument,
    said: Annotated[
        str | None, typer.Option("--retire", metavar="NAME", help="The board, said again.", show_default=False)
    ] = None,
    share: ShareOption = None,
    yes: YesOption = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Removes a board's whole shelf, guarded captures included."""
    from backupctl.cli import boards_view as view
    from backupctl.operations.exit_codes import of_retiring as exit_code

    folder, facts = _share(context, share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.retiring import RetireOptions
        from backupctl.operations.keeping.retiring import retire as operation

        options = RetireOptions(said if yes else None, dry_run, view.retire_plan)
        return operation(folder, board, options, facts, reporter, stop)

    run_command(task, lambda result: view.retired(result, dry_run), as_json, quiet, exit_code)
