"""Commands that prove that captures can be brought back, and bring them back."""

from __future__ import annotations

import re
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
    ScratchOption,
    ShareOption,
    YesOption,
    facts_of_machine,
    moment_of,
    run_command,
    wanted_share,
)
from backupctl.domain.errors import BackupctlError, Exit, UsageError
from backupctl.domain.fitting import KINDS_OF_ROOT
from backupctl.domain.scratch import SCRATCH_FOLDER
from backupctl.domain.units import counted


def register(app: typer.Typer) -> None:
    app.command()(verify)
    app.command()(drill)
    app.command()(sheet)
    app.command()(restore)


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
        from backupctl.operations.proving.verify import VerifyOptions
        from backupctl.operations.proving.verify import verify as operation
        from backupctl.share.shelf import open_shelf

        options = VerifyOptions(capture_name, moment, nights=nights, thorough=thorough)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    run_command(task, render.verified, as_json, quiet, exit_code)


def drill(
    capture_name: Annotated[
        str | None,
        typer.Argument(
            metavar="ID",
            help="Id, its beginning, label, or newest; without, the newest good one that has passed none.",
            show_default=False,
        ),
    ] = None,
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    scratch: ScratchOption = Path(SCRATCH_FOLDER),
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Rebuilds a capture for a while, and looks whether a board would boot from it."""
    from backupctl.cli.drill_view import drill as view
    from backupctl.operations.exit_codes import of_drill as exit_code

    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.proving.drill import DrillOptions
        from backupctl.operations.proving.drill import drill as operation
        from backupctl.share.shelf import open_shelf

        options = DrillOptions(capture_name, moment, scratch=scratch.absolute(), dry_run=dry_run)
        return operation(open_shelf(folder, board), options, facts, reporter, stop)

    run_command(task, view, as_json, quiet, exit_code)


def sheet(
    share: ShareOption = None,
    board: Annotated[
        str | None, typer.Option("--board", metavar="NAME", help="Only this one.", show_default=False)
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Also as a page to print.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Writes the page to print for the bad day: what is where, and every step."""
    from backupctl.cli.sheet_view import sheet as view

    folder, facts = wanted_share(share), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.fleet.sheet import sheet as operation

        return operation(folder, board, facts.now())

    def write(result: Json | None, _: Exit) -> None:
        if html is not None and result is not None:
            from backupctl.cli.sheet_page import page

            try:
                html.write_text(page(result), encoding="utf-8")
            except OSError as error:
                raise BackupctlError(f"{html} cannot be written: {error.strerror}", "Name another file.") from None

    run_command(task, view, as_json, afterwards=write)


def restore(
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="[ID] TARGET",
            help="ID: an id, its beginning, a label, or newest; left out with --as-of. "
            "TARGET: a card (a whole block device), or a file that is not there yet; for a capture of files, a folder "
            "that is empty, or not there yet.",
        ),
    ],
    share: ShareOption = None,
    board: BoardOption = None,
    as_of: AsOfOption = None,
    erase: Annotated[
        str | None, typer.Option("--erase", metavar="TARGET", help="The card to erase, said again.", show_default=False)
    ] = None,
    wipe_free: Annotated[bool, typer.Option("--wipe-free", help="Write zeros to free space.")] = False,
    fill: Annotated[
        bool, typer.Option("--fill", help="On a larger card: the last file system grows over all of it.")
    ] = False,
    shrink: Annotated[
        bool, typer.Option("--shrink", help="On a smaller card: the last file system is made smaller on the way.")
    ] = False,
    size: Annotated[
        str | None,
        typer.Option("--size", metavar="SIZE", help="Into a file: for a card of that size.", show_default=False),
    ] = None,
    partition: Annotated[
        int | None,
        typer.Option(
            "--partition",
            metavar="N",
            min=1,
            max=255,
            help="Only this one, onto the one with its number, or a partition.",
            show_default=False,
        ),
    ] = None,
    file_system: Annotated[
        str | None,
        typer.Option(
            "--file-system",
            metavar="KIND",
            help="A capture of files onto a card: the root becomes ext4, btrfs or f2fs.",
            show_default=False,
        ),
    ] = None,
    new_identity: Annotated[
        bool, typer.Option("--new-identity", help="A clone: other disk and volume ids, and all that names them.")
    ] = False,
    host_name: Annotated[
        str | None, typer.Option("--host-name", metavar="NAME", help="Another host name.", show_default=False)
    ] = None,
    forget_machine: Annotated[
        bool, typer.Option("--forget-machine", help="No machine id, no SSH host keys, no random seed.")
    ] = False,
    as_archive: Annotated[
        bool, typer.Option("--as-archive", help="A capture of files, into NAME.tar.zst or NAME.tar.")
    ] = False,
    scratch: ScratchOption = Path(SCRATCH_FOLDER),
    yes: YesOption = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Brings a capture back: onto a card, into a file, or its files into a folder."""
    from backupctl.cli import render
    from backupctl.operations.exit_codes import of_restoring as exit_code

    capture_name, target = _capture_and_target(words, as_of is not None)
    folder, moment, facts = wanted_share(share), moment_of(as_of), facts_of_machine()

    if file_system not in (None, *KINDS_OF_ROOT):
        raise UsageError(f"--file-system is {', '.join(KINDS_OF_ROOT)}, not {file_system!r}")
    is_card = target.is_block_device()
    length = _size(size) if size is not None else None
    if is_card and length is not None:
        raise UsageError(f"{target} has the size that it has", "--size is for files.")
    if (fill or shrink) and not (is_card or length is not None):
        raise UsageError(f"{target} is a file, which has no size of its own", "Say --size, for what card it is to be.")
    if is_card and board is None:
        raise UsageError("whose card is it?", "A card is only written with --board NAME.")
    is_clone = new_identity or host_name is not None or forget_machine
    if is_clone and partition is not None:
        raise UsageError("a clone is made of a whole card", "Leave out --partition, or what makes it a clone.")
    is_for_cards = fill or shrink or is_clone or any(said is not None for said in (length, partition, file_system))
    if as_archive and (is_card or is_for_cards):
        raise UsageError("an archive goes into a file, as it is", "Leave out --as-archive, or what is for cards.")
    if partition is not None and file_system is not None:
        raise UsageError("--file-system is for whole cards", "Leave out --partition, or --file-system.")
    if not is_card and (erase is not None or wipe_free):
        raise UsageError(
            f"{target} is no card: nothing is erased for it, and its free space is zeros",
            "Leave out --erase and --wipe-free, or name a card; `backupctl cards` lists them.",
        )
    if erase is not None and not (yes or dry_run):
        raise UsageError("--erase answers a question only together with --yes", "Say both, or type the answer.")

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.share.shelf import open_shelf

        shelf = open_shelf(folder, board)
        named = (shelf, capture_name, moment)
        if as_archive:
            from backupctl.operations.restoring.restore_archive import restore_archive

            return restore_archive(*named, target, dry_run, facts, reporter, stop)
        if not (is_card or is_for_cards) and _is_of_files(*named):
            from backupctl.operations.restoring.restore_files import FilesOptions, restore_files

            if target.name.endswith((".tar", ".tar.zst")) and not target.exists():
                raise UsageError(f"is {target} to be a folder, or an archive?", "For an archive: --as-archive.")
            return restore_files(
                *named,
                FilesOptions(target, yes=yes, dry_run=dry_run, show_plan=render.restore_plan),
                facts,
                reporter,
                stop,
            )
        if not (is_card or is_for_cards):
            from backupctl.operations.restoring.restore import restore_to_file

            return restore_to_file(*named, target, dry_run, facts, reporter, stop)
        from backupctl.operations.restoring.cloning import CloneWishes
        from backupctl.operations.restoring.suiting import Changes

        clone = CloneWishes(new_identity=new_identity, host_name=host_name, forget_machine=forget_machine)
        clone.check()
        changes = Changes(
            fill=fill, shrink=shrink, may_ask=not (dry_run or yes), clone=clone, scratch=scratch, root_kind=file_system
        )
        if not is_card and partition is not None:
            from backupctl.operations.restoring.restore_partition import restore_partition_to_file

            return restore_partition_to_file(
                *named, partition, target, length, dry_run, changes, facts, reporter, stop
            )  # fmt: skip
        if not is_card:
            from backupctl.operations.restoring.restore_changed import restore_changed_to_file

            return restore_changed_to_file(*named, target, length, dry_run, changes, facts, reporter, stop)
        from backupctl.operations.restoring.restore_card import CardOptions, restore_to_card

        options = CardOptions(
            target, erase=erase, wipe_free=wipe_free, dry_run=dry_run, show_plan=render.restore_plan, changes=changes
        )
        if partition is None:
            return restore_to_card(*named, options, facts, reporter, stop)
        from backupctl.operations.restoring.restore_partition import restore_partition

        return restore_partition(*named, partition, options, facts, reporter, stop)

    run_command(task, render.restored, as_json, quiet, exit_code)


def _is_of_files(shelf: Any, capture_name: str | None, moment: Any) -> bool:
    from backupctl.operations.listing import captures_of, find_capture

    return bool(find_capture(captures_of(shelf)[0], capture_name, moment).kind == "files")


def _size(text: str) -> int:
    """Bytes in `32 GB`, `31116288 sectors`, or plain bytes. Raises UsageError."""
    from backupctl.domain.quantities import parse_size

    sectors = re.fullmatch(r"(\d{1,15}) *sectors", text.strip(), re.ASCII)
    try:
        found = int(sectors[1]) * 512 if sectors else parse_size(text)
    except ValueError as error:
        raise UsageError(f"--size: {error}", "Or in sectors of 512 bytes: '31116288 sectors'.") from None
    if found < 1 << 20:
        raise UsageError(f"--size: no card has only {found} bytes", "As it is printed on a card: '32 GB'.")
    return found // 512 * 512


def _capture_and_target(words: list[str], with_moment: bool) -> tuple[str | None, Path]:
    # One argument for both, since the first of two can't be the optional one.
    if len(words) != (1 if with_moment else 2):
        form = "--as-of TIME TARGET, without an ID" if with_moment else "ID TARGET, or --as-of TIME TARGET"
        given = counted(len(words), "name")
        raise UsageError(f"which capture, and where to? There is {given}", f"backupctl restore {form}")
    return words[0] if len(words) == 2 else None, Path(words[-1])
