"""Commands that take captures, and what goes with that."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    BoardOption,
    DryRunOption,
    Json,
    JsonOption,
    KindOption,
    MetricsOption,
    PolicyOption,
    QuietOption,
    ShareOption,
    SourceOption,
    UntilOption,
    checked_kind,
    facts_of_machine,
    run_command,
    stall_of,
    until_of,
    wanted_share,
)
from backupctl.domain.errors import Exit, UsageError
from backupctl.domain.record import Guard

_PREFLIGHT_STALL = 180.0  # seconds; longer than any one of its checks may wait


def register(app: typer.Typer) -> None:
    app.command()(capture)
    app.command()(preflight)
    app.command()(night)
    app.command()(thaw)


def capture(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    kind: KindOption = None,
    label: Annotated[
        str | None, typer.Option("--label", metavar="TEXT", help="A few words to find it by.", show_default=False)
    ] = None,
    guard: Annotated[bool, typer.Option("--guard", help="Keep it from being removed; the label says why.")] = False,
    until: UntilOption = None,
    read_back: Annotated[
        bool | None, typer.Option("--read-back/--no-read-back", help="Read what was written again.", show_default=False)
    ] = None,
    confirm: Annotated[
        bool, typer.Option("--confirm/--no-confirm", help="Hash what the last run wrote before using it.")
    ] = True,
    reread: Annotated[bool, typer.Option("--reread", help="Of files: read also what has not changed.")] = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Takes a capture now, of a card or of files."""
    from backupctl.cli import keeping_view, render
    from backupctl.cli.places import called_as, load_policy
    from backupctl.operations.exit_codes import of_capture as exit_code

    chosen = load_policy(policy)
    if read_back is not None:
        chosen = dataclasses.replace(chosen, store=dataclasses.replace(chosen.store, read_back=read_back))
    wanted_kind = checked_kind(kind)
    folder = wanted_share(share)
    facts = facts_of_machine(chosen)
    guarded = _guard(label, guard, until)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.capturing.capture import CaptureOptions
        from backupctl.operations.capturing.capture_onto import capture_onto
        from backupctl.operations.capturing.dry_run import dry_run as estimate
        from backupctl.operations.pacing import step_aside

        step_aside(chosen.pace, reporter)
        options = CaptureOptions(
            source, chosen, label=label, guard=guarded, confirm=confirm, reread=reread, kind=wanted_kind
        )
        if dry_run:
            return estimate(folder, board, options, facts, reporter)
        return capture_onto(folder, board, options, facts, reporter, stop)

    def told(result: Json) -> str:
        back = [keeping_view.going_back(result, called_as(), folder.resolve())] if guard else []
        return "\n".join([render.capture(result), *back])

    shown = render.dry_run if dry_run else told
    run_command(task, shown, as_json, quiet, exit_code, stall_seconds=stall_of(chosen))


def _guard(label: str | None, wanted: bool, until: str | None) -> Guard | None:
    if wanted and label is None:
        raise UsageError("why is the capture to be kept?", "Say it with --label, such as 'before the upgrade'.")
    if until is not None and not wanted:
        raise UsageError("--until is when a guard ends", "Say --guard as well.")
    return Guard(label or "", until_of(until)) if wanted else None


def preflight(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    kind: KindOption = None,
    as_json: JsonOption = False,
) -> None:
    """Makes every check that a capture makes before it reads a byte."""
    from backupctl.cli import render
    from backupctl.cli.places import load_policy
    from backupctl.operations.exit_codes import of_checks as exit_code

    chosen, wanted_kind, folder = load_policy(policy), checked_kind(kind), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.capturing.subject import Subject
        from backupctl.operations.preflight.run import preflight as operation

        return operation(folder, board, Subject(source, wanted_kind), chosen, facts, reporter)

    run_command(
        task, lambda result: render.checks(result["checks"]), as_json, code=exit_code, stall_seconds=_PREFLIGHT_STALL
    )


def night(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    metrics: MetricsOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Does what the timer runs: takes a capture, verifies a part of all, and thins."""
    from backupctl.cli import render, telling
    from backupctl.cli.places import load_policy

    chosen, folder = load_policy(policy), wanted_share(share)
    facts = facts_of_machine(chosen)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.nights.night import Night, run_night
        from backupctl.operations.pacing import step_aside

        step_aside(chosen.pace, reporter)
        return run_night(Night(folder, board, source, chosen, facts, reporter, stop))

    def tell(result: Json | None, ended: Exit) -> None:
        if metrics is not None:
            telling.write_figures(metrics, result, ended, facts, quiet)
        telling.after_night(folder, board, chosen, facts, quiet, result, ended)

    def code(result: Json) -> Exit:
        return Exit(result["exit"])

    run_command(task, render.night, as_json, quiet, code, afterwards=tell, stall_seconds=stall_of(chosen))


def thaw(
    device: Annotated[
        Path | None, typer.Argument(metavar="[CARD]", help="This system's own, if none is named.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Ends a freeze that a killed capture has left.

    Harmless if there is none. Also undoes what its policy did before the freeze.
    """
    # No worker, no share, nothing written: what would be written to may be frozen.
    from backupctl.cli.places import state_folder
    from backupctl.operations.capturing.own_card import thaw as operation

    result = operation(device, state_folder())
    thawed = result["thawed"]
    lines = [f"thawed: {', '.join(thawed)}" if thawed else "nothing was frozen", *result["undone"]]
    print(json.dumps(result) if as_json else "\n".join(lines))
