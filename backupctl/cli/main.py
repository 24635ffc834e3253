"""The commands. Arguments come in here and nowhere else; what a command does is in `operations`."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl import __version__
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

Json = dict[str, Any]

ShareOption = Annotated[
    Path | None,
    typer.Option("--share", envvar="BACKUPCTL_SHARE", help="The share, or one board's shelf.", show_default=False),
]
BoardOption = Annotated[str | None, typer.Option("--board", help="Whose shelf.", show_default=False)]
PolicyOption = Annotated[
    str | None,
    typer.Option("--policy", envvar="BACKUPCTL_POLICY", help="Name or file of a policy.", show_default="standard"),
]
SourceOption = Annotated[
    Path | None, typer.Option("--source", help="The card: a block device, or a file.", show_default=False)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="No progress, no notes.")]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and do nothing.")]
YesOption = Annotated[bool, typer.Option("--yes", help="Answer yes to the question.")]
AsOfOption = Annotated[
    str | None, typer.Option("--as-of", help="The newest capture by then: 'sat 09:00'.", show_default=False)
]


@app.callback(invoke_without_command=True)
def _program(
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        print(f"backupctl {__version__}")
        raise typer.Exit


def _run(
    task: Callable[[Any, Any], Json],
    show: Callable[[Json], str],
    as_json: bool,
    quiet: bool = False,
    code: Callable[[Json], Exit] = lambda _: Exit.DONE,
    json_of: Callable[[Json], object] = lambda result: result,
) -> None:
    """Runs a task in a worker, prints its result, and ends with the code that goes with it."""
    from backupctl.cli.supervisor import run
    from backupctl.cli.view import View

    result, ended = run(task, View(quiet))
    if result is None:
        sys.exit(int(ended))
    print(json.dumps(json_of(result), indent=2, ensure_ascii=False) if as_json else show(result))
    sys.exit(int(code(result)))


def _share(share: Path | None) -> Path:
    if share is None:
        raise UsageError("which share?", "Say --share DIR, or set BACKUPCTL_SHARE.")
    return share


def _facts() -> Any:
    from backupctl.cli.places import state_folder
    from backupctl.operations.facts import this_machine

    return this_machine(state_folder())


def _as_of(text: str | None) -> datetime | None:
    from backupctl.operations.listing import parse_as_of

    return parse_as_of(text, datetime.now().astimezone()) if text else None


def _capture_code(result: Json) -> Exit:
    if result.get("state") == "partial":
        return Exit.PARTIAL
    return Exit.WARNINGS if result.get("warnings") else Exit.DONE


@app.command()
def capture(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    label: Annotated[str | None, typer.Option("--label", help="A few words to find it by.", show_default=False)] = None,
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

    chosen = load_policy(policy)
    if read_back is not None:
        chosen = dataclasses.replace(chosen, store=dataclasses.replace(chosen.store, read_back=read_back))
    card = _source(source)
    folder = _share(share)
    facts = _facts()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations import capture as operation
        from backupctl.operations.adopt import shelf_for_capture

        options = operation.CaptureOptions(card, chosen, label, confirm)
        if dry_run:
            return operation.dry_run(
                shelf_for_capture(folder, board, chosen, facts, reporter, make=False), options, facts, reporter
            )
        shelf = shelf_for_capture(folder, board, chosen, facts, reporter)
        return operation.capture(shelf, options, facts, reporter, stop)

    _run(task, render.dry_run if dry_run else render.capture, as_json, quiet, _capture_code)


def _source(source: Path | None) -> Path:
    if source is None:
        raise UsageError("which card?", "Say --source PATH: a card file, or a device that `backupctl cards` lists.")
    return source


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

    chosen, card, folder, facts = load_policy(policy), _source(source), _share(share), _facts()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.adopt import shelf_for_capture
        from backupctl.operations.preflight import preflight as operation

        return operation(
            shelf_for_capture(folder, board, chosen, facts, reporter, make=False), card, chosen, facts, reporter
        )

    def code(result: Json) -> Exit:
        results = {item["result"] for item in result["checks"]}
        return Exit.REFUSED if "refuse" in results else Exit.WARNINGS if "warning" in results else Exit.DONE

    _run(task, lambda result: render.checks(result["checks"]), as_json, code=code)


@app.command("list")
def list_captures(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Lists the captures of a board, or of all."""
    from backupctl.cli import render

    folder = _share(share)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import list_all

        return list_all(folder, board)

    _run(
        task,
        render.captures,
        as_json,
        code=lambda result: Exit.WARNINGS if result["problems"] else Exit.DONE,
        json_of=lambda result: result["captures"],
    )


@app.command()
def show(
    capture_name: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="Id, its beginning, label, or newest.")
    ] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Shows all that is known of one capture."""
    from backupctl.cli import render

    folder, moment = _share(share), _as_of(as_of)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import show as operation

        return operation(folder, board, capture_name, moment)

    _run(task, render.show, as_json)


@app.command()
def runs(share: ShareOption = None, board: BoardOption = None, as_json: JsonOption = False) -> None:
    """Tells what has happened on the shelf, failures included."""
    from backupctl.cli import render

    folder = _share(share)

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.listing import runs as operation

        return operation(folder, board)

    _run(task, render.runs, as_json, json_of=lambda result: result["events"])


@app.command()
def verify(
    capture_name: Annotated[str | None, typer.Argument(metavar="[ID]", help="One capture; all without.")] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    nights: Annotated[
        int | None, typer.Option("--nights", min=1, max=1000, help="Tonight's part of so many.", show_default=False)
    ] = None,
    thorough: Annotated[bool, typer.Option("--thorough", help="Compare SHA-256 sums as well.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Reads captures back from the share and checks every byte."""
    from backupctl.cli import render

    folder, moment, facts = _share(share), _as_of(as_of), _facts()
    if nights and (capture_name or moment):
        raise UsageError("--nights goes through all captures", "Leave out the capture, or --nights.")

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.verify import VerifyOptions
        from backupctl.operations.verify import verify as operation
        from backupctl.share.shelf import open_shelf

        options = VerifyOptions(capture_name, moment, nights, thorough)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    def code(result: Json) -> Exit:
        hurt = ("damaged_segments", "damaged_parts", "damaged_captures", "unusable_captures", "problems")
        return Exit.DAMAGE if any(result[key] for key in hurt) else Exit.DONE

    _run(task, render.verified, as_json, quiet, code)


@app.command()
def restore(
    capture_name: Annotated[str, typer.Argument(metavar="ID", help="Id, its beginning, label, or newest.")],
    target: Annotated[Path, typer.Argument(help="A card (a whole block device), or a file that is not there yet.")],
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

    folder, moment, facts = _share(share), _as_of(as_of), _facts()

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

    _run(task, render.restored, as_json, quiet)


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

    chosen, facts = load_policy(policy), _facts()

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

    _run(task, text, as_json)


def main() -> None:
    """The console script."""
    try:
        app(standalone_mode=True)
    except BackupctlError as error:
        from backupctl.cli.view import View

        View().error(error.cause, error.hint)
        sys.exit(int(error.exit_code))
