"""Commands for the share that the shelves of all boards stand on."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from backupctl.cli.command import (
    BoardOption,
    DryRunOption,
    Json,
    JsonOption,
    PolicyOption,
    YesOption,
    facts_of_machine,
    run_command,
)
from backupctl.domain.errors import Exit, UsageError

ServerOption = Annotated[
    str | None, typer.Option("--server", metavar="NAME", help="Name or address of the NAS.", show_default=False)
]
PathOption = Annotated[
    str | None,
    typer.Option("--path", metavar="PATH", help="The share on it, and perhaps a folder in it.", show_default=False),
]
MountOption = Annotated[
    str | None, typer.Option("--mount", metavar="DIR", help="Where to mount it.", show_default="/mnt/nas")
]
UserOption = Annotated[
    str | None, typer.Option("--user", metavar="NAME", help="This board's account there.", show_default=False)
]
GuestOption = Annotated[bool, typer.Option("--guest", help="No account.")]
# Where /etc is; tests put another folder in its place.
RootOption = Annotated[Path, typer.Option("--root", metavar="DIR", hidden=True)]
PasswordFileOption = Annotated[
    Path | None,
    typer.Option(
        "--password-file",
        metavar="FILE",
        help="A file whose one line is the password. Without it, it is typed.",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="The share that the shelves of all boards stand on.", no_args_is_help=True)
    group.command("plan")(share_plan)
    group.command("check")(share_check)
    group.command("move")(share_move)
    group.command("adopt")(share_adopt)
    app.add_typer(group, name="share")


def share_plan(
    server: ServerOption = None,
    path: PathOption = None,
    mount: MountOption = None,
    user: UserOption = None,
    password_file: PasswordFileOption = None,
    protocol: Annotated[
        str | None, typer.Option("--protocol", metavar="smb|nfs", help="What the server speaks.", show_default="smb")
    ] = None,
    guest: GuestOption = False,
    seal: Annotated[bool, typer.Option("--seal", help="Encrypt what crosses the network.")] = False,
    units: Annotated[bool, typer.Option("--units", help="Systemd units, in place of a line of fstab.")] = False,
    apply: Annotated[bool, typer.Option("--apply", help="Write it, as root.")] = False,
    as_json: JsonOption = False,
    root: RootOption = Path("/"),
) -> None:
    """Shows how to mount the share, and why so. Asks for what is missing."""
    from backupctl.cli import share_questions as questions
    from backupctl.cli import shares_view as view
    from backupctl.cli.places import called_as
    from backupctl.cli.text import printable
    from backupctl.operations.shares.share_apply import Account, apply_plan, replaced_line, warnings_here
    from backupctl.operations.shares.share_plan import SMB, ShareWish, plan_share
    from backupctl.operations.shares.share_plan import as_json as result_of

    # Nothing here touches a share, so there is no worker; and a password stays in this process.
    questions.refuse_contradictions(guest, user, password_file, protocol)
    server = questions.asked(server, "--server", "Name or address of the NAS")
    path = questions.asked(path, "--path", "Name of the share on it")
    mount = questions.asked(mount, "--mount", "Where to mount it", "/mnt/nas")
    if protocol is None and (guest or user is not None):
        protocol = SMB  # NFS has neither
    protocol = questions.asked(protocol, "--protocol", "What the server speaks, smb or nfs", SMB)
    if protocol == SMB and not guest:
        user = (
            questions.asked(user, "--user or --guest", "This board's account there (empty: none, as a guest)") or None
        )
    wish = ShareWish(server, path, mount, protocol, user, seal=seal, units=units)
    plan = plan_share(wish)
    result = {**result_of(plan), "replaces_line": replaced_line(plan, root), "applied": apply}
    result["warnings"] += warnings_here(plan.entry, root)
    if apply:
        password = questions.password_of(user, server, password_file) if user is not None else None
        account = Account(user, password) if user is not None and password is not None else None
        result |= apply_plan(plan, account, root)
        result["warnings"] += questions.warning_about(password_file)
    print(json.dumps(result, indent=2, ensure_ascii=False) if as_json else printable(view.planned(result, called_as())))
    sys.exit(Exit.WARNINGS if result["warnings"] else Exit.DONE)


def share_check(as_json: JsonOption = False, root: RootOption = Path("/")) -> None:
    """Says what is wrong with the shares that this machine mounts."""
    from backupctl.cli import shares_view as view
    from backupctl.cli.places import called_as
    from backupctl.operations.shares.share_check import check_shares, is_fine

    facts = facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        return check_shares(facts.state_folder, reporter, root)

    run_command(
        task,
        lambda result: view.checked(result, called_as()),
        as_json,
        code=lambda result: Exit.DONE if is_fine(result) else Exit.WARNINGS,
    )


def share_move(
    server: Annotated[str, typer.Option("--server", metavar="NAME", help="Name or address of the new one.")],
    path: Annotated[
        str | None, typer.Option("--path", metavar="PATH", help="The share on it.", show_default="as before")
    ] = None,
    mount: Annotated[
        str | None, typer.Option("--mount", metavar="DIR", help="Which one, if there are several.", show_default=False)
    ] = None,
    user: Annotated[
        str | None, typer.Option("--user", metavar="NAME", help="The account there.", show_default="as before")
    ] = None,
    password_file: PasswordFileOption = None,
    yes: YesOption = False,
    dry_run: DryRunOption = False,
    as_json: JsonOption = False,
    root: RootOption = Path("/"),
) -> None:
    """Mounts the share from another server, if the same one is there."""
    from backupctl.cli import share_questions as questions
    from backupctl.cli import shares_view as view
    from backupctl.operations.shares.share_apply import Account
    from backupctl.operations.shares.share_move import MoveWish
    from backupctl.operations.shares.share_move import move_share as operation

    if password_file is not None and user is None:
        raise UsageError("whose password is it?", "Say --user NAME; without it, the account stays as it was.")
    account = None
    if user is not None:
        password = questions.password_of(user, server, password_file)
        if password is None:
            raise UsageError("which password?", "Say --password-file FILE, or run this at a terminal, where it asks.")
        account = Account(user, password)
    wish, facts = MoveWish(server, path, mount, account, yes=yes, dry_run=dry_run), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        return operation(wish, facts.state_folder, reporter, root)

    run_command(task, view.moved, as_json)


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
    from backupctl.cli import shares_view as view
    from backupctl.cli.places import load_policy

    chosen, facts = load_policy(policy), facts_of_machine()

    def task(reporter: Any, stop: Any) -> Json:
        from backupctl.operations.shares.adopt import adopt

        return adopt(folder, board, same_machine, chosen, facts)

    run_command(task, view.adopted, as_json)
