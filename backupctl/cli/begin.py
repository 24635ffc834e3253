"""The command `begin`: everything that a board needs for its nights, one step after the other."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from backupctl.cli.command import (
    BoardOption,
    DryRunOption,
    JsonOption,
    PolicyOption,
    QuietOption,
    ShareOption,
    SourceOption,
    facts_of_machine,
)
from backupctl.cli.shares import (
    GuestOption,
    MountOption,
    PasswordFileOption,
    PathOption,
    RootOption,
    ServerOption,
    UserOption,
)
from backupctl.domain.errors import BackupctlError, Exit, Refused, UsageError, of_system

if TYPE_CHECKING:
    from backupctl.operations.fleet.beginning import Wish


def register(app: typer.Typer) -> None:
    app.command()(begin)


def begin(
    share: ShareOption = None,
    board: BoardOption = None,
    policy: PolicyOption = None,
    source: SourceOption = None,
    like: Annotated[
        str | None,
        typer.Option("--like", metavar="BOARD", help="Set it up as that board is.", show_default=False),
    ] = None,
    server: ServerOption = None,
    path: PathOption = None,
    mount: MountOption = None,
    user: UserOption = None,
    password_file: PasswordFileOption = None,
    protocol: Annotated[str, typer.Option("--protocol", metavar="smb|nfs", help="With --server.")] = "smb",
    guest: GuestOption = False,
    same_machine: Annotated[
        bool, typer.Option("--same-machine", help="--share is a folder of this machine, and meant to be.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Agree to all; options say the rest.")] = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
    root: RootOption = Path("/"),
) -> None:
    """Sets this board up, step by step: share, name, policy, first capture, timer, message, drill, sheet."""
    from backupctl.board.systemd import Systemd
    from backupctl.cli import begin_view as shown
    from backupctl.cli.begin_course import Course, Ended, Given, StepFailed
    from backupctl.cli.begin_guide import Guide
    from backupctl.cli.conversation import Conversation, refuse_without_terminal
    from backupctl.cli.places import load_policy, policy_words
    from backupctl.cli.share_questions import refuse_contradictions
    from backupctl.cli.text import printable
    from backupctl.cli.view import View
    from backupctl.operations.fleet.beginning import Wish, World
    from backupctl.operations.shares.share_plan import NFS, SMB

    refuse_contradictions(guest, user, password_file, protocol)
    if protocol not in (SMB, NFS):
        raise UsageError(f"there is no protocol {protocol!r}", "Say --protocol smb, or --protocol nfs.")
    if server is None and (path is not None or protocol != SMB):
        raise UsageError("--path and --protocol are of a server", "Say --server NAME as well.")
    if server is not None and share is not None:
        raise UsageError(
            f"is it {share}, or what --server has?",
            "--share (or BACKUPCTL_SHARE) is a share that is mounted here already; --server one that is not yet.",
        )
    if dry_run and like is not None:
        raise UsageError("--like shows all that it would do, and asks before it does", "Leave out --dry-run.")
    if not dry_run and not yes:
        refuse_without_terminal()
    if not dry_run and os.geteuid() != 0:
        raise Refused("what a board needs for its nights only root can set up", "Run it again with sudo.")
    view = View(quiet)
    wish = Wish(share and share.absolute(), board, policy and policy_words(policy), source, same_machine=same_machine)
    given = Given(
        server=server, path=path, mount=mount, user=user, protocol=protocol, guest=guest, password_file=password_file,
        like=like,
    )  # fmt: skip
    world = World(facts_of_machine(), Systemd(root), root, load_policy)
    guide = Guide(Course(world, given, Conversation(agreed=yes), view), wish)
    try:
        if dry_run:
            guide.look()
            print(_result(guide.found, dry_run) if as_json else printable(shown.planned(guide.found)))
            sys.exit(Exit.DONE)
        code = guide.run()
    except KeyboardInterrupt:
        code = Exit.INTERRUPTED
        print(file=sys.stderr)  # below the question
    except (Ended, StepFailed) as ended:
        code = ended.code
    except (BackupctlError, OSError) as error:
        told = of_system(error)
        view.error(told.cause, told.hint)
        code = told.exit_code
    if code not in (Exit.DONE, Exit.WARNINGS, Exit.PARTIAL) and not dry_run:
        print(f"\n{printable(shown.stopped(_again(guide.wish)))}", file=sys.stderr)
    if as_json:
        print(_result(guide.found, dry_run))
    sys.exit(code)


def _again(wish: Wish) -> list[str]:
    """The same command, with what was chosen meanwhile and cannot be found yet."""
    from backupctl.cli.places import called_as

    words = sys.argv[1:]
    for option, value in (("--board", wish.board), ("--policy", wish.policy)):
        if value is not None and option not in words:
            words += [option, value]
    return [*called_as(), *words]


def _result(found: dict[str, object], dry_run: bool) -> str:
    told = {"dry_run": dry_run, **{key: found.get(key) for key in ("share", "board", "policy")}}
    return json.dumps({**told, "steps": found.get("steps", [])}, indent=2, ensure_ascii=False)
