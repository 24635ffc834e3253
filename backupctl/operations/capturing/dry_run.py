"""What a capture would read and write, without writing anything."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.operations.capturing.capture import CaptureOptions
from backupctl.operations.capturing.estimate import estimate
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import as_json, refuse_if_any
from backupctl.operations.preflight.run import run_checks
from backupctl.operations.preflight.share import look_at_share
from backupctl.operations.preflight.situation import situation_of
from backupctl.operations.progress import Reporter
from backupctl.operations.session import Session
from backupctl.operations.shares.adopt import existing_shelf


def dry_run(
    folder: Path, board: str | None, options: CaptureOptions, facts: Facts, reporter: Reporter
) -> dict[str, Any]:
    """What `capture` would read, and an estimate of what it would write, from a sample of the card."""
    checks = look_at_share(folder, facts)
    refuse_if_any(checks)
    shelf = existing_shelf(folder, board)
    with options.subject.opened(options.policy) as source:
        session = Session(shelf, facts, reporter) if shelf else None
        situation = situation_of(folder, shelf, session, facts, options.policy, source)
        checks += run_checks(situation)
        return {"dry_run": True, **estimate(situation), "checks": as_json(checks)}
