"""Commands that say what keeping captures costs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

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
from backupctl.domain.errors import BackupctlError, UsageError
from backupctl.domain.policy import Policy


def register(app: typer.Typer) -> None:
    app.command()(cost)


def _count(period: str) -> Any:
    said = f"Another {period} count than the policy's."
    return typer.Option(f"--{period}", metavar="N", min=0, help=said, show_default=False)


def _percent(name: str, said: str, most: float = 100.0) -> Any:
    return typer.Option(name, metavar="PERCENT", min=0.0, max=most, help=said)


def cost(
    context: typer.Context,
    policies: Annotated[
        list[str] | None, typer.Argument(metavar="[POLICY]...", help="For --compare.", show_default=False)
    ] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    ahead: Annotated[bool, typer.Option("--ahead", help="Also what it will be, by a simulation.")] = False,
    compare: Annotated[bool, typer.Option("--compare", help="Also what several policies will cost.")] = False,
    daily: Annotated[int | None, _count("daily")] = None,
    weekly: Annotated[int | None, _count("weekly")] = None,
    monthly: Annotated[int | None, _count("monthly")] = None,
    yearly: Annotated[int | None, _count("yearly")] = None,
    newest: Annotated[int | None, _count("newest")] = None,
    everything_for: Annotated[
        str | None,
        typer.Option("--everything-for", metavar="SPAN", help="Another span than the policy's.", show_default=False),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Also as a page for a browser.", show_default=False)
    ] = None,
    in_use: Annotated[
        str | None,
        typer.Option("--in-use", metavar="SIZE", help="Of a board without captures: in use.", show_default=False),
    ] = None,
    changed: Annotated[float, _percent("--changed", "With --in-use: of that, changes in a night.")] = 2.0,
    again: Annotated[float, _percent("--again", "Of that, changes every night.")] = 60.0,
    stored: Annotated[float, _percent("--stored", "What is left of data, compressed.", 101.0)] = 58.0,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Tells what captures take of the share, what they will, and what another policy would."""
    from backupctl.cli.places import load_policy
    from backupctl.domain.assumptions import Assumptions
    from backupctl.operations.exit_codes import of_listing as exit_code

    asked = _is_typed(context, "policy")
    if policies and not compare:
        raise UsageError(f"what about {policies[0]}?", "Say --policy NAME, or --compare NAME NAME.")
    if compare and (asked or not policies):
        raise UsageError("what is to be compared?", "Name all policies behind --compare, without --policy.")
    counts = {"daily": daily, "weekly": weekly, "monthly": monthly, "yearly": yearly, "newest": newest}
    spoken = [name for name, value in {**counts, "everything-for": everything_for}.items() if value is not None]
    if compare and spoken:
        raise UsageError(
            f"--{spoken[0]} changes one policy, and --compare names several",
            "Leave out one of them; or compare files of policies.",
        )
    for assumption in ("changed", "again", "stored"):
        if in_use is None and _is_typed(context, assumption):
            raise UsageError(f"--{assumption} is for a board without captures", "Say --in-use SIZE as well.")
    chosen = [load_policy(name) for name in policies] if policies else [load_policy(policy)]
    chosen[0] = _changed(
        chosen[0], {name: count for name, count in counts.items() if count is not None}, everything_for
    )
    facts = facts_of_machine()
    if in_use is not None:
        if html is not None:
            raise UsageError("a board without captures has no page yet", "Leave out --html.")
        _new_board(Assumptions(_size(in_use), changed, again, stored), chosen, share, facts, as_json, quiet)
        return
    folder = wanted_share(share)
    looks_ahead = ahead or compare or asked or html is not None or chosen[0].name.endswith(_CHANGED)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.cost import cost as operation
        from backupctl.operations.keeping.forecast import costs_ahead
        from backupctl.share.shelf import open_shelf

        shelf = open_shelf(folder, board) if looks_ahead else None
        result = operation(folder, shelf.board if shelf else board, chosen[0], facts, reporter, stop)
        if shelf:
            result["ahead"] = costs_ahead(shelf, chosen, facts, reporter, stop)
        if html is not None:
            _write_page(html, result, facts)
        return result

    run_command(task, _view, as_json, quiet, exit_code)


def _is_typed(context: typer.Context, parameter: str) -> bool:
    source = context.get_parameter_source(parameter)
    return source is not None and source.name == "COMMANDLINE"


_CHANGED = ", changed"


def _changed(policy: Policy, counts: dict[str, int], everything_for: str | None) -> Policy:
    """The policy with other counts, under another name. Raises UsageError for one that no policy may have."""
    from backupctl.domain.policy import check_bounds
    from backupctl.domain.quantities import parse_span

    values = dict(counts)
    if everything_for is not None:
        try:
            values["everything_for"] = parse_span(everything_for)
        except ValueError as error:
            raise UsageError(f"--everything-for: {error}") from None
    if not values:
        return policy
    for key, value in values.items():
        check_bounds(f"--{key.replace('_', '-')}", key, value)
    return replace(policy, name=policy.name + _CHANGED, retention=replace(policy.retention, **values))


def _size(text: str) -> int:
    from backupctl.domain.quantities import parse_size

    try:
        found = parse_size(text)
    except ValueError as error:
        raise UsageError(f"--in-use: {error}") from None
    if not found:
        raise UsageError("--in-use is 0 bytes: nothing to capture", 'Say how much is in use, as --in-use "8 GiB".')
    return found


def _new_board(
    assumptions: Any, policies: list[Policy], share: Path | None, facts: Any, as_json: bool, quiet: bool
) -> None:
    from backupctl.cli import ahead_view

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.keeping.forecast import costs_of_a_new_board
        from backupctl.share.storage import FolderStorage

        room = FolderStorage(share).free_bytes() if share is not None else None
        return costs_of_a_new_board(assumptions, policies, room, facts, reporter, stop)

    run_command(task, ahead_view.ahead, as_json, quiet)


def _view(result: Json) -> str:
    from backupctl.cli import ahead_view, cost_view

    said = cost_view.cost(result)
    return f"{said}\n\n{ahead_view.ahead(result['ahead'])}" if "ahead" in result else said


def _write_page(path: Path, result: Json, facts: Any) -> None:
    from backupctl.cli.cost_page import page

    try:
        path.write_text(page(result, result["ahead"], facts.now()), encoding="utf-8")
    except OSError as error:
        raise BackupctlError(f"{path} cannot be written: {error}") from None
