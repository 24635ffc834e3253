"""Commands that say what keeping captures costs."""

from __future__ import annotations

from typing import Any

import typer

from backupctl.cli.command import (
    BoardOption,
    Json,
    JsonOption,
    PolicyOption,
    QuietOption,
    ShareOption,
    facts_of_machine,
    run_command,
    wanted_share,
)


def register(app: typer.Typer) -> None:
    app.command()(cost)


def cost(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Tells what each capture, and each tier of the policy, takes of the share."""
    from backupctl.cli import cost_view as view
    from backupctl.cli.places import load_policy
    from backupctl.operations.exit_codes import of_listing as exit_code

    folder, chosen, facts = wanted_share(share), load_policy(policy), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.cost import cost as operation

        return operation(folder, board, chosen, facts, reporter, stop)

    run_command(task, view.cost, as_json, quiet, exit_code)
