"""Letting the board's own work come first. Holds for the whole process: for workers only."""

from __future__ import annotations

from backupctl.board import pace
from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import PacePolicy
from backupctl.operations.progress import Reporter


def step_aside(policy: PacePolicy, reporter: Reporter) -> None:
    """Niceness and I/O class as the policy says; the run goes on where the system cannot. Before any thread."""
    pace.be_nice(policy.nice)
    if policy.idle_io:
        try:
            pace.use_idle_io()
        except BackupctlError as error:
            reporter.note(error.cause)
