"""Commands that bring single files back, tell when they changed, and show a capture as a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    AsOfOption,
    BoardOption,
    DryRunOption,
    Json,
    JsonOption,
    QuietOption,
    ShareOption,
    facts_of_machine,
    moment_of,
    run_command,
    wanted_share,
)
from backupctl.domain.errors import UsageError

_STDOUT = "-"
_NEVER = 1e9  # seconds: it is for a person to look at, who may go away meanwhile


def register(app: typer.Typer) -> None:
    app.command()(pick)
    app.command()(browse)


def pick(
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="[ID] PATH [DEST]",
            help="ID: an id, its beginning, a label, or newest; left out with --as-of and --when-changed. PATH: as on "
            "the board; also a pattern like '/etc/*.conf'. DEST: a folder, a new name, or - for standard output; "
            "without it, the current folder.",
        ),
    ],
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    partition: Annotated[
        int | None,
        typer.Option("--partition", metavar="N", min=0, help="PATH is on this one.", show_default="by fstab"),
    ] = None,
    special: Annotated[
        bool, typer.Option("--special", help="As root: devices, set-user-ID and capabilities of programs as well.")
    ] = False,
    when_changed: Annotated[
        bool, typer.Option("--when-changed", help="Tell in which captures PATH is, and when it changed; pick nothing.")
    ] = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Brings single files or folders out of a capture, without restoring it."""
    from backupctl.cli import picking_view as view
    from backupctl.operations.exit_codes import of_picking

    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()
    if when_changed:
        if len(words) != 1 or moment or dry_run or special:
            raise UsageError("--when-changed looks into all captures", "backupctl pick --when-changed PATH")

        def look(reporter: Any, stop: Any) -> Json:
            from backupctl.operations.picking.file_history import file_history
            from backupctl.share.shelf import open_shelf

            return file_history(open_shelf(folder, board), words[0], partition, facts, reporter, stop)

        run_command(look, view.history, as_json, quiet)
        return
    capture_name, path, target = _named(words, as_of is not None)
    if target == _STDOUT and (as_json or dry_run):
        raise UsageError("standard output cannot hold both", "Leave out --json and --dry-run, or name a folder.")

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.picking.pick import PickOptions, pour_out
        from backupctl.operations.picking.pick import pick as operation
        from backupctl.share.shelf import open_shelf

        where = None if target in (None, _STDOUT) else Path(str(target))
        options = PickOptions(capture_name, moment, path, where, partition=partition, special=special, dry_run=dry_run)
        shelf = open_shelf(folder, board)
        if target == _STDOUT:
            with open(1, "wb", closefd=False) as out:
                pour_out(shelf, options, out, facts, reporter, stop)
            return {}
        return operation(shelf, options, facts, reporter, stop)

    run_command(task, view.picked, as_json, quiet, of_picking)


def browse(
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="[ID] DIR",
            help="ID: an id, its beginning, a label, or newest; left out with --as-of and --end. "
            "DIR: an empty folder, or one that is not there yet.",
        ),
    ],
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    end: Annotated[bool, typer.Option("--end", help="Take away what is shown in DIR.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Shows a capture as a read-only folder, until ctrl-C: the card, its partitions, their files."""
    from backupctl.cli import picking_view as view

    moment = moment_of(as_of)
    if end and (moment or board is not None):
        raise UsageError("--end is told by the folder alone", "backupctl browse --end DIR")
    if len(words) != (1 if end or moment else 2):
        form = "--end DIR" if end else "--as-of TIME DIR" if moment else "ID DIR, or --as-of TIME DIR"
        raise UsageError("which capture, and where?", f"backupctl browse {form}")
    place = Path(words[-1]).absolute()
    if end:

        def take_away(reporter: Any, stop: Any) -> Json:
            from backupctl.operations.picking.browse import end_browsing

            return end_browsing(place)

        run_command(take_away, view.ended, as_json, quiet)
        return
    folder, facts = wanted_share(share), facts_of_machine()

    def show(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.picking.browse import browse as operation
        from backupctl.share.shelf import open_shelf

        name = words[0] if len(words) == 2 else None
        return operation(open_shelf(folder, board), name, moment, place, facts, reporter, stop)

    run_command(show, view.ended, as_json, quiet, stall_seconds=_NEVER)


def _named(words: list[str], with_moment: bool) -> tuple[str | None, str, str | None]:
    """Capture, path and target. A path is told from the name of a capture by its slash."""
    rest = list(words)
    name = None
    if not with_moment:
        name = rest.pop(0)
    if not 1 <= len(rest) <= 2 or (name is not None and name.startswith("/")):
        form = (
            "--as-of TIME PATH [DEST], without an ID" if with_moment else "ID PATH [DEST], or --as-of TIME PATH [DEST]"
        )
        raise UsageError("which capture, and what of it?", f"backupctl pick {form}")
    return name, rest[0], rest[1] if len(rest) == 2 else None
