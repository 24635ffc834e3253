"""Checks of the files that are to be captured."""

from __future__ import annotations

import os
from pathlib import Path

from backupctl.domain.units import size
from backupctl.operations.preflight.check import OK, REFUSE, WARNING, Check
from backupctl.operations.preflight.share import IS_IT_MOUNTED
from backupctl.operations.preflight.situation import TreeSituation


def check_source(situation: TreeSituation) -> Check:
    tree = situation.tree
    detail = f"{tree.path}: {size(tree.used_bytes)} in use where it is"
    if os.geteuid() != 0:
        todo = "Run it as root: otherwise what only others may read is missing."
        return Check("source", WARNING, f"{detail}; read as an ordinary user", todo)
    return Check("source", OK, detail)


def check_not_on_source(situation: TreeSituation) -> Check:
    """A share that lies within what is captured would be captured as well, and grow without end."""
    share, root = situation.folder.resolve(), Path(os.fsdecode(situation.tree.root))
    within = [root / os.fsdecode(start) for start in situation.tree.starts]
    on_it = [start for start in within if share.is_relative_to(start) and share.stat().st_dev == start.stat().st_dev]
    if on_it:
        return Check("share is elsewhere", REFUSE, f"the share lies in {on_it[0]}, which is captured", IS_IT_MOUNTED)
    return Check("share is elsewhere", OK, "the share is not among the files")
