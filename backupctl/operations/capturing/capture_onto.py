"""A capture onto a share that has to be found first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import refuse_if_any
from backupctl.operations.preflight.share import look_at_share, probe_share
from backupctl.operations.preflight.situation import Reached
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.shares.adopt import shelf_for_capture


def capture_onto(
    folder: Path, board: str | None, options: CaptureOptions, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Behind `capture`: `folder` is a share or a shelf. Raises Refused where it does not do, and as `capture`."""
    reporter.step(Step("looking for the share", 0, 0))
    seen = look_at_share(folder, facts)
    refuse_if_any(seen)
    shelf = shelf_for_capture(folder, board, options.subject, options.policy, facts, reporter)
    reporter.step(Step("trying to write to the share", 0, 0))
    tried, probed = probe_share(shelf.path)
    refuse_if_any([tried])
    return capture(shelf, options, facts, reporter, stop, Reached((*seen, tried), probed))
