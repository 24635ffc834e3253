"""Making a folder a share, and giving a board its shelf."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.board.host import board_name
from backupctl.domain.errors import NotFound, Refused
from backupctl.domain.names import checked_board
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.source import must_exist
from backupctl.operations.capturing.subject import Subject
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.card import share_on_source
from backupctl.operations.preflight.share import IS_IT_MOUNTED
from backupctl.operations.progress import Reporter
from backupctl.operations.shares.share_identity import identity_at, remember
from backupctl.share.marks import read_share_mark, read_shelf_mark
from backupctl.share.shelf import Shelf, adopt_share, check_folder, make_shelf, open_shelf
from backupctl.share.storage import FolderStorage

_SAME_MACHINE = "it is a folder of this machine: no protection against losing the machine"


def adopt(folder: Path, board: str | None, same_machine: bool, policy: Policy, facts: Facts) -> dict[str, Any]:
    """Marks `folder` (or finds the mark) and makes the shelf of `board` (this host, if None).

    A folder that is a shelf is all of a share that its board may see: then there is nothing to make. This machine
    remembers which share it is. Raises Refused, NotFound.
    """
    check_folder(folder, "Mount the share first.")
    storage = FolderStorage(folder)
    if read_shelf_mark(storage) is not None:
        shelf = open_shelf(folder, board)
        notes = ["it was a shelf already"]
    else:
        mark = read_share_mark(storage)
        notes = [] if mark is None else ["it was a share already; the board joins it"]
        if mark is None and not same_machine:
            _refuse_unless_network(folder)
        made = facts.now().isoformat(timespec="seconds")
        adopt_share(folder, same_machine, made)
        shelf = make_shelf(folder, board or board_name(), policy.store.identity, made)
    if shelf.mark.same_machine:
        notes.append(_SAME_MACHINE)
    else:
        notes += _remember(folder, facts)
    return {"share": str(folder), "board": shelf.board, "shelf": str(shelf.path), "notes": notes}


def _remember(folder: Path, facts: Facts) -> list[str]:
    identity = identity_at(folder)
    if identity is not None:
        try:
            remember(facts.state_folder, folder.resolve(), identity)
        except OSError as error:
            return [f"this machine cannot remember which share it is: {error}"]
    return []


def _refuse_unless_network(folder: Path) -> None:
    # Shares are adopted on Linux, where mounts can be told apart.
    from backupctl.board.mounts import is_network, mount_of

    mount = mount_of(folder)
    if not is_network(mount):
        raise Refused(
            f"{folder} is on no network mount ({mount.fstype} at {mount.mount_point})",
            "Is the share mounted? If a folder of this machine is meant, say --same-machine; it is lost with it.",
        )


def existing_shelf(folder: Path, board: str | None) -> Shelf | None:
    """The shelf that a capture goes to, if there is one; None for a board that is new on the share. Raises Refused."""
    if read_shelf_mark(FolderStorage(folder)) is not None:
        return open_shelf(folder, board)
    name = board or board_name()
    try:
        return open_shelf(folder, name)
    except NotFound:
        if not folder.is_dir():
            raise
    checked_board(name)
    return None


def shelf_for_capture(
    folder: Path, board: str | None, subject: Subject, policy: Policy, facts: Facts, reporter: Reporter
) -> Shelf:
    """The shelf that a capture of `subject` goes to, made if there is none. Raises Refused."""
    found = existing_shelf(folder, board)
    if found is not None:
        return found
    if subject.source is not None:
        must_exist(subject.source)  # or a mistyped name would leave a shelf behind
    source = subject.card(policy)
    on_source = share_on_source(folder, source) if source else ""  # of files, a check tells
    if on_source:
        raise Refused(on_source, IS_IT_MOUNTED)
    name = board or board_name()
    shelf = make_shelf(folder, name, policy.store.identity, facts.now().isoformat(timespec="seconds"))
    reporter.note(f"{name} is new on this share: it has a shelf of its own now")
    for problem in () if shelf.mark.same_machine else _remember(folder, facts):
        reporter.note(problem)
    return shelf
