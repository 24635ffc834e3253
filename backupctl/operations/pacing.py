"""Letting the board's own work come first. Holds for the whole process, so only a worker that ends with the run asks."""

from __future__ import annotations

from backupctl.board import pace
from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import PacePolicy
from backupctl.operations.progress import Reporter


def step_aside(policy: PacePolicy, reporter: Reporter) -> None:
    """Niceness and I/O class as the policy says; where the system cannot, the run goes on without. Before any thread."""
    pace.be_nice(policy.nice)
    if policy.idle_io:
        try:
            pace.use_idle_io()
        except BackupctlError as error:
            reporter.note(error.cause)
