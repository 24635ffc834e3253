"""What a capture of files would read and write: by a walk, and a sample of what it would read."""

from __future__ import annotations

import random
import time
from contextlib import closing
from typing import Any

from backupctl.domain.record import card_of
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing.earlier_files import earlier_files, nothing_earlier
from backupctl.operations.capturing.expected_time import seconds_for
from backupctl.operations.capturing.member_making import MemberMaking, owners_of
from backupctl.operations.capturing.segmenting import SegmentMaker
from backupctl.operations.capturing.tree_reading import TreeReading, Unit
from backupctl.operations.capturing.tree_source import walk_of
from backupctl.operations.preflight.situation import TreeSituation
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import load_index

_SAMPLE = 64  # units that are read


def estimate_of_files(situation: TreeSituation) -> dict[str, Any]:
    """Behind `capture --dry-run`: of bytes, and of seconds where the share's rates were measured (else None)."""
    shelf, session, policy, tree = situation.shelf, situation.session, situation.policy, situation.tree
    hashing = shelf.mark.hashing if shelf else Hashing(policy.store.identity, 0)
    # Parts that are not confirmed count: the capture itself would confirm them first.
    index = (
        load_index(shelf, session.history, unconfirmed=True)[0] if shelf and session else SegmentIndex(hashing.length)
    )
    with closing(index):
        lane = f"files of {card_of(tree.identity)}"
        earlier = earlier_files(shelf, session.history, index, lane) if shelf and session else nothing_earlier()
        maker = SegmentMaker(index, hashing, policy.store.level, SEGMENT_BYTES)
        reading = TreeReading(walk_of(tree, policy), earlier, MemberMaking(owners_of(tree.root), maker, lambda _: None))
        sample = _sample(reading)
        began = time.monotonic()
        read = [unit() for unit in sample]
        taken = time.monotonic() - began
    sampled = sum(segment.length for each in read for segment in each.segments)
    share = sum(len(segment.stored) for each in read for segment in each.segments) / max(1, sampled)
    written = int(share * reading.new_bytes)
    by_one = taken * reading.new_bytes / max(1, sampled)
    return {
        "source": tree.path,
        "stream_bytes": reading.all_bytes,
        "in_use_bytes": reading.all_bytes,
        "read_bytes": reading.new_bytes,
        "estimated_written_bytes": written,
        "sampled_segments": len(sample),
        "estimated_seconds": seconds_for(situation, by_one, reading.new_bytes, written),
        "layout": {"volumes": []},
        "warnings": [],
    }


def _sample(reading: TreeReading) -> list[Unit]:
    """Some of the units that would be read, each as likely as any other (Vitter's algorithm R)."""
    chosen: list[Unit] = []
    rolls = random.Random(0)  # the same question has the same answer
    count = 0
    for unit in reading.units():
        if unit.is_reused:
            continue
        count += 1
        if len(chosen) < _SAMPLE:
            chosen.append(unit)
        elif (place := rolls.randrange(count)) < _SAMPLE:
            chosen[place] = unit
    return chosen
