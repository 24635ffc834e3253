"""The program: its commands come from the modules beside this one; what they do is in `operations`."""

from __future__ import annotations

import gc
import io
import os
import re
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl import __version__
from backupctl.cli import (
    begin,
    boards,
    captures,
    costs,
    keeping,
    listings,
    picking,
    policies,
    recovery,
    shares,
    telling,
    timers,
)
from backupctl.cli.command import Json, JsonOption, QuietOption, facts_of_machine, run_command
from backupctl.domain.errors import BackupctlError, UsageError, of_system

_COLLECTED_AFTER = 20_000  # objects made that are not freed yet; far more than Python's own default

app = typer.Typer(
    name="backupctl",
    help="Backs up the cards of single-board computers to a network share, and brings them back.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for commands in (
    begin,
    captures,
    listings,
    policies,
    recovery,
    picking,
    keeping,
    costs,
    boards,
    shares,
    timers,
    telling,
):
    commands.register(app)


@app.callback(invoke_without_command=True)
def _program(
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        print(f"backupctl {__version__}")
        raise typer.Exit


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


def _open_standard_files() -> None:
    """Gives standard input, output and error, where the program was started without them, to /dev/null.

    Or a card that is opened would be one of them, and get what somebody prints.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one
            setattr(sys, name, os.fdopen(opened, mode, closefd=False))


def _refuse_empty_words(words: list[str]) -> None:
    """Raises UsageError: an empty path would be the current folder, an empty name whatever is usual."""
    for before, word in zip(["", *words], words, strict=False):
        if not word or re.fullmatch(r"--[a-z-]+=", word):
            option = f"{before} ''" if before.startswith("-") and not word else word or "''"
            raise UsageError(
                f"nothing is said there: {option}",
                "Was a variable of a script not set? Say what is meant, or leave it out.",
            )


def main() -> None:
    """Runs the command that the arguments name, and ends with its exit code."""
    _open_standard_files()
    # Little of what is made by the ten thousand is in cycles, and the collector looks at it again and again.
    gc.set_threshold(_COLLECTED_AFTER)
    from backupctl.cli.view import View

    for stream in (sys.stdin, sys.stdout):
        if isinstance(stream, io.TextIOWrapper):
            # File names and what is typed need not be UTF-8, and a terminal need not show all of it.
            stream.reconfigure(errors="backslashreplace")
    try:
        _refuse_empty_words(sys.argv[1:])
        app(standalone_mode=True)
    except (BackupctlError, OSError) as error:
        told = of_system(error)
        View().error(told.cause, told.hint)
        sys.exit(int(told.exit_code))
