"""What a capture would read and write, and how long it would take, from a sample of the card."""

from __future__ import annotations

import time
from typing import Any

from backupctl.domain.card_map import cells
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing.estimate_of_files import estimate_of_files
from backupctl.operations.capturing.expected_time import seconds_for
from backupctl.operations.capturing.reading import StretchReader
from backupctl.operations.capturing.segmenting import Segmenter, SegmentMaker
from backupctl.operations.card_map import layout_of
from backupctl.operations.preflight.situation import CardSituation, TreeSituation
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import load_index

_SAMPLE = 64  # segments that are read


def estimate(situation: CardSituation | TreeSituation) -> dict[str, Any]:
    """Behind `capture --dry-run`; of bytes, and of `seconds` where the share's rates were measured (else None)."""
    if isinstance(situation, TreeSituation):
        return estimate_of_files(situation)
    return _of_card(situation)


def _of_card(situation: CardSituation) -> dict[str, Any]:
    shelf, session, policy = situation.shelf, situation.session, situation.policy
    source, card = situation.source, situation.card
    hashing = shelf.mark.hashing if shelf else Hashing(policy.store.identity, 0)
    # Parts that are not confirmed count: the capture itself would confirm them first.
    index = (
        load_index(shelf, session.history, unconfirmed=True)[0] if shelf and session else SegmentIndex(hashing.length)
    )
    try:
        reader = StretchReader(source.reader, card.data, card.sector_size, lambda _: None)
        segmenter = Segmenter(reader, SegmentMaker(index, hashing, policy.store.level, SEGMENT_BYTES))
        listed = [cell for cell in cells(card.data, card.zero, card.size, SEGMENT_BYTES) if cell[2]]
        sample = listed[:: max(1, len(listed) // _SAMPLE)]
        began = time.monotonic()
        stored = sum(len(segmenter.make((cell,))[0].stored) for cell in sample)
        taken = time.monotonic() - began
    finally:
        index.close()
    written = stored * len(listed) // max(1, len(sample))
    by_one = taken * len(listed) / max(1, len(sample))
    return {
        "source": source.path,
        "stream_bytes": card.size,
        "in_use_bytes": card.in_use_bytes,
        "read_bytes": card.data.total,
        "estimated_written_bytes": written,
        "sampled_segments": len(sample),
        "estimated_seconds": seconds_for(situation, by_one, card.data.total, written),
        "layout": layout_of(card),
        "warnings": list(card.warnings),
    }
