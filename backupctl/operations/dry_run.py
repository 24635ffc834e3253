"""What a capture would read and write, without writing anything."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.domain.card_map import cells
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.adopt import existing_shelf
from backupctl.operations.capture import CaptureOptions
from backupctl.operations.card_map import layout_of
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import as_json, refuse_if_any
from backupctl.operations.preflight.run import run_checks
from backupctl.operations.preflight.share import look_at_share
from backupctl.operations.preflight.situation import Situation
from backupctl.operations.progress import Reporter
from backupctl.operations.reading import StretchReader
from backupctl.operations.segmenting import Segmenter
from backupctl.operations.session import Session
from backupctl.operations.source import open_source
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import load_index

_SAMPLE = 64  # segments that are read


def dry_run(
    folder: Path, board: str | None, options: CaptureOptions, facts: Facts, reporter: Reporter
) -> dict[str, Any]:
    """What `capture` would read, and an estimate of what it would write, from a sample of the card."""
    checks = look_at_share(folder, facts)
    refuse_if_any(checks)
    shelf = existing_shelf(folder, board)
    with open_source(options.source, options.policy.image) as source:
        card = source.map(options.policy.image.leave_out)
        session = Session(shelf, facts, reporter) if shelf else None
        checks += run_checks(Situation(folder, shelf, session, facts, options.policy, source, card))
        hashing = shelf.mark.hashing if shelf else Hashing(options.policy.store.identity, 0)
        # Parts that are not confirmed count: the capture itself would confirm them first.
        index = (
            load_index(shelf, session.history, unconfirmed=True)[0]
            if shelf and session
            else SegmentIndex(hashing.length)
        )
        try:
            reader = StretchReader(source.reader, card.data, card.sector_size, lambda _: None)
            segmenter = Segmenter(reader, index, hashing, options.policy.store.level, SEGMENT_BYTES)
            listed = [cell for cell in cells(card.data, card.zero, card.size, SEGMENT_BYTES) if cell[2]]
            sample = listed[:: max(1, len(listed) // _SAMPLE)]
            stored = sum(len(segmenter.make((cell,))[0].stored) for cell in sample)
        finally:
            index.close()
        return {
            "dry_run": True,
            "source": str(options.source),
            "stream_bytes": card.size,
            "in_use_bytes": card.in_use_bytes,
            "read_bytes": card.data.total,
            "estimated_written_bytes": stored * len(listed) // max(1, len(sample)),
            "sampled_segments": len(sample),
            "layout": layout_of(card),
            "warnings": list(card.warnings),
            "checks": as_json(checks),
        }
