"""What commands have in common: options that mean the same everywhere, and how a command runs."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.domain.errors import BackupctlError, Exit, UsageError

Json = dict[str, Any]

ShareOption = Annotated[
    Path | None,
    typer.Option(
        "--share",
        metavar="DIR",
        envvar="BACKUPCTL_SHARE",
        help="The share, or one board's shelf.",
        show_default=False,
    ),
]
BoardOption = Annotated[
    str | None,
    typer.Option("--board", metavar="NAME", help="Whose shelf.", show_default=False),
]
PolicyOption = Annotated[
    str | None,
    typer.Option(
        "--policy",
        metavar="NAME|FILE",
        envvar="BACKUPCTL_POLICY",
        help="What to do, and with how much care.",
        show_default="standard",
    ),
]
SourceOption = Annotated[
    Path | None,
    typer.Option(
        "--source", metavar="PATH", help="A card: a device, or a file; or a folder.", show_default="this system's"
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
KindOption = Annotated[
    str | None,
    typer.Option("--kind", metavar="image|files", help="What it is of; else as the policy has it.", show_default=False),
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="No progress, no notes.")]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and do nothing.")]
YesOption = Annotated[bool, typer.Option("--yes", help="Answer yes to the question.")]
ScratchOption = Annotated[
    Path, typer.Option("--scratch", metavar="DIR", help="For files that are needed for a while; they hold secrets.")
]
MetricsOption = Annotated[
    Path | None,
    typer.Option("--metrics", metavar="FILE", help="Write figures there, as OpenMetrics text.", show_default=False),
]
AsOfOption = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="TIME", help="Instead of ID: the newest by then, like 'sat 09:00'.", show_default=False
    ),
]

UntilOption = Annotated[
    str | None, typer.Option("--until", metavar="DATE", help="When the guard ends by itself.", show_default=False)
]


def run_command(
    task: Callable[[Any, Any], Json],
    show: Callable[[Json], str],
    as_json: bool,
    quiet: bool = False,
    code: Callable[[Json], Exit] = lambda _: Exit.DONE,
    json_of: Callable[[Json], object] = lambda result: result,
    afterwards: Callable[[Json | None, Exit], None] = lambda _, __: None,
    stall_seconds: float | None = None,
) -> None:
    """Runs a task in a worker, prints its result, and ends with the code that goes with it.

    `afterwards` is called before that, also for a task that came to no result. A worker that makes no progress for
    `stall_seconds` is given up.
    """
    from backupctl.cli.supervisor import STALL_SECONDS, run
    from backupctl.cli.text import printable
    from backupctl.cli.view import View

    result, ended = run(task, View(quiet), stall_seconds or STALL_SECONDS)
    try:
        if result is not None:
            ended = code(result)
            text = json.dumps(json_of(result), indent=2, ensure_ascii=False) if as_json else printable(show(result))
            if text:
                _print(text)
    finally:  # also where nobody reads the result, or a log is full
        afterwards(result, ended)
    sys.exit(int(ended))


def _print(text: str) -> None:
    try:
        print(text, flush=True)
    except BrokenPipeError:
        raise  # whoever closed it knows
    except OSError as error:
        cause = f"the result cannot be written to standard output: {error.strerror}"
        raise BackupctlError(cause, "Whatever the command does is done.") from None


def stall_of(policy: Any) -> float:
    """Seconds without progress that are taken for a stall: more than a hook, or a frozen card, may take in silence."""
    return float(max(policy.night.stall, policy.hooks.deadline + 60, policy.image.max_freeze + 60))


def wanted_share(share: Path | None) -> Path:
    if share is None:
        raise UsageError("which share?", "Say --share DIR, or set BACKUPCTL_SHARE.")
    # A folder that was entered before the share was mounted there is still the one beneath it; its name is not.
    return share.absolute()


def facts_of_machine(policy: Any = None) -> Any:
    """`policy`: what its owner thinks of the clock counts."""
    from backupctl.cli.places import state_folder
    from backupctl.operations.facts import this_machine

    return this_machine(state_folder(), policy is not None and policy.clock.trust == "always")


def moment_of(text: str | None) -> datetime | None:
    from backupctl.domain.moments import parse_as_of

    return parse_as_of(text, datetime.now().astimezone()) if text is not None else None


def until_of(text: str | None) -> str | None:
    """The end of something, RFC 3339; None if it has none."""
    from backupctl.domain.moments import parse_until

    return parse_until(text, datetime.now().astimezone()).isoformat(timespec="seconds") if text is not None else None


def checked_naming(capture_name: str | None, as_of: str | None) -> None:
    """For what changes something about a capture: it has to be named, one way or the other. Raises UsageError."""
    if capture_name is None and as_of is None:
        raise UsageError("which capture?", "Say its ID, its label or newest, or --as-of TIME.")


def checked_kind(kind: str | None) -> str | None:
    """Raises UsageError for a word that is none."""
    if kind not in (None, "image", "files"):
        raise UsageError(f"--kind {kind}: there are image and files")
    return kind
