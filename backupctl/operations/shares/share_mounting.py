"""Having a share mounted that a table names: by its automount, or by mount(8)."""

from __future__ import annotations

import os
from pathlib import Path

from backupctl.board.abandonable import within
from backupctl.board.mount_tables import fstab_path
from backupctl.board.mounting import mount_listed
from backupctl.domain.errors import Refused
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import REFUSE
from backupctl.operations.preflight.share import look_at_share
from backupctl.operations.progress import Reporter, Step
from backupctl.operations.shares.share_check import ANSWER_SECONDS, mounted_share
from backupctl.operations.shares.share_trial import meaning_of


def mount_now(mount_point: Path, root: Path, facts: Facts, reporter: Reporter) -> str:
    """What is mounted there then, in words. `root` as in `mount_tables`. Raises Refused, Stalled, OSError."""
    reporter.step(Step(f"mounting {mount_point}", 0, 0))
    within(ANSWER_SECONDS, str(mount_point), lambda: _enter(mount_point))
    if mounted_share(str(mount_point), root) is None:
        try:
            mount_listed(mount_point, fstab_path(root))
        except Refused as error:
            raise Refused(error.cause, meaning_of(error.cause)) from None
    mount = look_at_share(mount_point, facts)[0]
    if mount.result == REFUSE and mounted_share(str(mount_point), root) is None:
        raise Refused(mount.detail, mount.todo)
    return mount.detail


def _enter(folder: Path) -> None:
    """Has an automount mount; it says no more than that the server did not answer, and mount(8) says why."""
    try:
        os.close(os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
    except OSError:
        pass
