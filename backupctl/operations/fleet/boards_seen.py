"""Which boards a share has, and whose they are: what somebody wants to know before one more joins them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.domain.errors import BackupctlError, NotFound
from backupctl.domain.events import History
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.shares.share_identity import identity_at
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import Shelf, list_boards, open_shelf

Json = dict[str, Any]

OURS, ANOTHERS, NOBODYS = "this machine's", "another machine's", "nobody's yet"
_NAMED = 3  # of what lies on a share that nobody has adopted


def boards_seen(folder: Path, facts: Facts, like: str | None = None) -> Json:
    """`identity` in words, None for no share of this program; `alone`: `folder` is one board's shelf.

    `boards`: `name`, `whose` and `newest` of each; `names`: of a few things that lie there otherwise; `policy`: that of
    the newest good capture of the board `like`. Blocks if the share does. Raises NotFound for a `like` without any, and
    as a shelf does.
    """
    identity = identity_at(folder)
    if identity is None:
        if like is not None:
            raise NotFound(
                f"there is no board {like} to be like: nobody has adopted this share yet", "Leave out --like."
            )
        names = sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))
        return {"identity": None, "alone": False, "boards": [], "names": names[:_NAMED], "policy": None}
    alone = identity.board is not None
    names = [identity.board] if identity.board is not None else list_boards(folder)
    return {
        "identity": str(identity),
        "alone": alone,
        "boards": [_about(folder, name, facts) for name in names],
        "names": [],
        "policy": _policy_of(folder, like, alone) if like is not None else None,
    }


def _about(folder: Path, name: str, facts: Facts) -> Json:
    try:
        history = read_manifest(open_shelf(folder, name).storage).history
    except BackupctlError as error:
        return {"name": name, "whose": ANOTHERS, "newest": None, "problem": error.cause}
    return {"name": name, "whose": whose(history, facts), "newest": history.last_time or None, "problem": None}


def whose(history: History, facts: Facts) -> str:
    """By the machine that took the newest capture that says so."""
    machine = next(reversed(history.taken_by.values()), None)
    return NOBODYS if machine is None else OURS if machine == facts.machine else ANOTHERS


def _policy_of(folder: Path, board: str, alone: bool) -> Json:
    if alone:
        shelf = open_shelf(folder, None)
        if shelf.board != board:
            raise NotFound(
                f"this board may see its own shelf only, and not that of {board}",
                "Leave out --like, and name the policy: --policy.",
            )
    else:
        shelf = open_shelf(folder, board)
    return _newest_policy(shelf)


def _newest_policy(shelf: Shelf) -> Json:
    captures, _ = captures_of(shelf)
    return find_capture(captures, "newest").policy
