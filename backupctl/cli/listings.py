"""Commands that tell what there is."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    AsOfOption,
    BoardOption,
    Json,
    JsonOption,
    ShareOption,
    facts_of_machine,
    moment_of,
    run_command,
    wanted_share,
)


def register(app: typer.Typer) -> None:
    app.command("list")(list_captures)
    app.command()(show)
    app.command()(runs)
    app.command()(cards)


def list_captures(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Lists the captures of a board, or of all."""
    from backupctl.cli import render
    from backupctl.operations.exit_codes import of_listing as exit_code

    folder, facts = wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import list_all

        return list_all(folder, board, facts.now())

    run_command(
        task,
        render.captures,
        as_json,
        code=exit_code,
        json_of=lambda result: result["captures"],
    )


def show(
    capture_name: Annotated[
        str | None, typer.Argument(metavar="ID", help="Id, its beginning, label, or newest.", show_default="newest")
    ] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Shows all that is known of one capture."""
    from backupctl.cli import render

    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import show as operation

        return operation(folder, board, capture_name, moment, facts.now())

    run_command(task, render.show, as_json)


def runs(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Tells what has happened on the shelf, failures included."""
    from backupctl.cli.runs_view import runs as view

    folder = wanted_share(share)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import runs as operation

        return operation(folder, board)

    run_command(task, view, as_json, json_of=lambda result: result["events"])


def cards(as_json: JsonOption = False) -> None:
    """Lists the cards and disks of this machine, and what is on them."""
    from backupctl.cli import render

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.cards import cards as operation

        return {"cards": [dataclasses.asdict(card) for card in operation()]}

    run_command(task, lambda result: render.cards(result["cards"]), as_json, json_of=lambda result: result["cards"])
