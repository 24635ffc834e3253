"""The owner's own commands around a capture of a card that is in use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from backupctl.board.process import ProgramFailed, run
from backupctl.domain.errors import Postponed
from backupctl.domain.policy import HooksPolicy
from backupctl.operations.capturing.undoing import Undoing
from backupctl.operations.progress import Reporter


def check_only_when(policy: HooksPolicy) -> None:
    """Raises Postponed if the owner's command says that now is not the time; BackupctlError if it cannot be run."""
    if not policy.only_when:
        return
    try:
        run(policy.only_when, policy.deadline)
    except ProgramFailed as error:
        raise Postponed(
            f"{' '.join(policy.only_when)} says that now is not the time",
            "The run is put off, and nothing was written. A later one tries again.",
        ) from error


@contextmanager
def quieted(policy: HooksPolicy, state_folder: Path, reporter: Reporter) -> Iterator[None]:
    """Services stopped, and `before` done, for as long as the block lasts; then `after`, and services started again."""
    undoing = Undoing(state_folder, reporter, policy.deadline)
    try:
        for service in policy.stop:
            undoing.do(["systemctl", "stop", service], ["systemctl", "start", service])
        undoing.do(policy.before, policy.after)
        yield
    finally:
        undoing.undo()
