"""The commands. Arguments come in here and nowhere else; what a command does is in `operations`."""

from __future__ import annotations

import dataclasses
import io
import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl import __version__
from backupctl.cli.command import (
    AsOfOption,
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
    moment_of,
    run_command,
    wanted_share,
    wanted_source,
)
from backupctl.domain.errors import BackupctlError, Exit, UsageError

app = typer.Typer(
    name="backupctl",
    help="Backs up the cards of single-board computers to a network share, and brings them back.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
share_app = typer.Typer(help="The share that the shelves of all boards stand on.", no_args_is_help=True)
app.add_typer(share_app, name="share")


@app.callback(invoke_without_command=True)
def _program(
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        print(f"backupctl {__version__}")
        raise typer.Exit


@app.command()
def capture(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    label: Annotated[
        str | None, typer.Option("--label", metavar="TEXT", help="A few words to find it by.", show_default=False)
    ] = None,
    read_back: Annotated[
        bool | None, typer.Option("--read-back/--no-read-back", help="Read what was written again.", show_default=False)
    ] = None,
    confirm: Annotated[
        bool, typer.Option("--confirm/--no-confirm", help="Hash what the last run wrote before using it.")
    ] = True,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Takes a capture of a card now."""
    from backupctl.cli import render
    from backupctl.cli.places import load_policy
    from backupctl.operations.exit_codes import of_capture as exit_code

    chosen = load_policy(policy)
    if read_back is not None:
        chosen = dataclasses.replace(chosen, store=dataclasses.replace(chosen.store, read_back=read_back))
    card = wanted_source(source)
    folder = wanted_share(share)
    facts = facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations import capture as operation
        from backupctl.operations.adopt import existing_shelf, shelf_for_capture
        from backupctl.operations.dry_run import dry_run as estimate
        from backupctl.operations.pacing import step_aside

        step_aside(chosen.pace, reporter)
        options = operation.CaptureOptions(card, chosen, label, confirm)
        if dry_run:
            return estimate(folder, existing_shelf(folder, board), options, facts, reporter)
        shelf = shelf_for_capture(folder, board, card, chosen, facts, reporter)
        return operation.capture(shelf, options, facts, reporter, stop)

    run_command(task, render.dry_run if dry_run else render.capture, as_json, quiet, exit_code)


@app.command()
def preflight(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Makes every check that a capture makes before it reads a byte."""
    from backupctl.cli import render
    from backupctl.cli.places import load_policy
    from backupctl.operations.exit_codes import of_checks as exit_code

    chosen, card, folder, facts = load_policy(policy), wanted_source(source), wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.adopt import existing_shelf
        from backupctl.operations.preflight import preflight as operation

        return operation(folder, existing_shelf(folder, board), card, chosen, facts, reporter)

    run_command(task, lambda result: render.checks(result["checks"]), as_json, code=exit_code)


@app.command("list")
def list_captures(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Lists the captures of a board, or of all."""
    from backupctl.cli import render
    from backupctl.operations.exit_codes import of_listing as exit_code

    folder = wanted_share(share)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import list_all

        return list_all(folder, board)

    run_command(
        task,
        render.captures,
        as_json,
        code=exit_code,
        json_of=lambda result: result["captures"],
    )


@app.command()
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

    folder, moment = wanted_share(share), moment_of(as_of)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import show as operation

        return operation(folder, board, capture_name, moment)

    run_command(task, render.show, as_json)


@app.command()
def runs(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Tells what has happened on the shelf, failures included."""
    from backupctl.cli import render

    folder = wanted_share(share)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import runs as operation

        return operation(folder, board)

    run_command(task, render.runs, as_json, json_of=lambda result: result["events"])


@app.command()
def verify(
    capture_name: Annotated[str | None, typer.Argument(metavar="ID", help="One capture; without, all.")] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    nights: Annotated[
        int | None,
        typer.Option("--nights", metavar="N", min=1, max=1000, help="Tonight's part of so many.", show_default=False),
    ] = None,
    thorough: Annotated[bool, typer.Option("--thorough", help="Compare SHA-256 sums as well.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Reads captures back from the share and checks every byte."""
    from backupctl.cli import render
    from backupctl.operations.exit_codes import of_verification as exit_code

    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()
    if nights and (capture_name or moment):
        raise UsageError("--nights goes through all captures", "Leave out the capture, or --nights.")

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.verify import VerifyOptions
        from backupctl.operations.verify import verify as operation
        from backupctl.share.shelf import open_shelf

        options = VerifyOptions(capture_name, moment, nights, thorough)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    run_command(task, render.verified, as_json, quiet, exit_code)


@app.command()
def restore(
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="[ID] TARGET",
            help="ID: an id, its beginning, a label, or newest; left out with --as-of. "
            "TARGET: a card (a whole block device), or a file that is not there yet.",
        ),
    ],
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    erase: Annotated[
        str | None, typer.Option("--erase", metavar="TARGET", help="The card to erase, said again.", show_default=False)
    ] = None,
    wipe_free: Annotated[bool, typer.Option("--wipe-free", help="Write zeros to free space.")] = False,
    yes: YesOption = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Brings a capture back, onto a card or into a file."""
    from backupctl.cli import render

    capture_name, target = _capture_and_target(words, as_of is not None)
    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.share.shelf import open_shelf

        if target.is_block_device():
            from backupctl.operations.restore_card import CardOptions, restore_to_card

            if board is None:
                raise UsageError("whose card is it?", "A card is only written with --board NAME.")
            said = erase if yes else None
            options = CardOptions(target, said, wipe_free, dry_run, render.restore_plan)
            return restore_to_card(open_shelf(folder, board), capture_name, moment, options, facts, reporter, stop)
        from backupctl.operations.restore import restore_to_file

        shelf = open_shelf(folder, board)
        return restore_to_file(shelf, capture_name, moment, target, dry_run, facts, reporter, stop)

    run_command(task, render.restored, as_json, quiet)


def _capture_and_target(words: list[str], with_moment: bool) -> tuple[str | None, Path]:
    # One argument for both, since the first of two can't be the optional one.
    if len(words) != (1 if with_moment else 2):
        form = "--as-of TIME TARGET, without an ID" if with_moment else "ID TARGET, or --as-of TIME TARGET"
        raise UsageError(f"which capture, and where to? {len(words)} names were given", f"backupctl restore {form}")
    return words[0] if len(words) == 2 else None, Path(words[-1])


@app.command()
def night(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Does what the timer runs: a capture, then verifies a part."""
    from backupctl.cli import render
    from backupctl.cli.places import load_policy

    chosen, card, folder, facts = load_policy(policy), wanted_source(source), wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.night import Night, run_night
        from backupctl.operations.pacing import step_aside

        step_aside(chosen.pace, reporter)
        return run_night(Night(folder, board, card, chosen, facts, reporter, stop))

    run_command(task, render.night, as_json, quiet, code=lambda result: Exit(result["exit"]))


@app.command()
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
    from backupctl.operations.own_card import thaw as operation

    result = operation(device, state_folder())
    thawed = result["thawed"]
    lines = [f"thawed: {', '.join(thawed)}" if thawed else "nothing was frozen", *result["undone"]]
    print(json.dumps(result) if as_json else "\n".join(lines))


@app.command()
def cards(as_json: JsonOption = False) -> None:
    """Lists the cards and disks of this machine, and what is on them."""
    from backupctl.cli import render

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.cards import cards as operation

        return {"cards": [dataclasses.asdict(card) for card in operation()]}

    run_command(task, lambda result: render.cards(result["cards"]), as_json, json_of=lambda result: result["cards"])


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Option("--folder", metavar="DIR", help="Where: a folder that is not there yet, or empty.")
    ] = Path("backupctl-demo"),
    keep: Annotated[bool, typer.Option("--keep/--remove", help="Whether the folder stays afterwards.")] = True,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Shows the whole job on an invented card, in a folder. Needs no root."""
    from backupctl.cli import render
    from backupctl.cli.places import called_as

    facts = facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.demo import demo as operation

        return operation(folder, keep, facts, reporter, stop)

    run_command(task, lambda result: render.demo(result, called_as()), as_json, quiet)


@share_app.command("adopt")
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


def main() -> None:
    """The console script."""
    if sys.argv[1:2] == ["thaw"]:
        sys.dont_write_bytecode = True  # where it would be written to may be frozen
    from backupctl.cli.view import View

    if isinstance(sys.stdout, io.TextIOWrapper):
        # File names need not be UTF-8, and a terminal need not show all of it.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        app(standalone_mode=True)
    except BackupctlError as error:
        View().error(error.cause, error.hint)
        sys.exit(int(error.exit_code))
    except OSError as error:
        View().error(str(error), "")
        sys.exit(int(Exit.FAILED))
