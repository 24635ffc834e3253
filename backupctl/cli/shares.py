"""Commands for the share that the shelves of all boards stand on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    BoardOption,
    Json,
    JsonOption,
    PolicyOption,
    facts_of_machine,
    run_command,
)


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="The share that the shelves of all boards stand on.", no_args_is_help=True)
    group.command("adopt")(share_adopt)
    app.add_typer(group, name="share")


def share_adopt(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The mounted share.")],
    same_machine: Annotated[
        bool, typer.Option("--same-machine", help="It is a folder of this machine, and meant to be.")
    ] = False,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
) -> None:
    """Marks a folder as a share, and makes this board's shelf on it."""
    from backupctl.cli.places import load_policy

    chosen, facts = load_policy(policy), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.adopt import adopt

        return adopt(folder, board, same_machine, chosen, facts)

    def text(result: Json) -> str:
        return "\n".join(
            [
                f"{result['share']} is a share, with a shelf of {result['board']}.",
                *(f"note: {n}" for n in result["notes"]),
            ]
        )

    run_command(task, text, as_json)
