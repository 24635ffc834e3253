"""A board without a history: what is assumed of it, in place of nights that were measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil

from backupctl.domain.changes import SAMPLED_CELLS, Changes, fraction
from backupctl.domain.forecast import CHANGES_A_RUN
from backupctl.domain.resampling import Night
from backupctl.domain.retention import Candidate
from backupctl.domain.simulation import Current, PartThere, ShelfThere

_NIGHTS = 28
_TABLE_SHARE = 0.0025  # of a part: 40 bytes for a segment of some 150 KiB, and what is rounded up
_CONTENTS_BYTES = 22  # for a segment
_RECORD_BYTES, _EVENTS_BYTES, _OTHER_BYTES = 4096, 3072, (1 << 20) + 20_000  # the ballast, marks, how to restore


@dataclass(frozen=True)
class Assumptions:
    """Of the defaults, only `stored` and half of `changed` have a measurement behind them (the bench's card, which has
    an upgrade every night); the rest is a guess that somebody should replace who knows the board."""

    in_use_bytes: int
    changed: float = 2.0  # percent of what is in use that changes from one night to the next
    again: float = 60.0  # percent of that, that changes every night; the rest is elsewhere each time
    stored: float = 58.0  # percent of its size that compressed data has


def assumed(
    assumptions: Assumptions, segment_bytes: int, first: datetime, to_come: int
) -> tuple[ShelfThere, list[Night]]:
    """A shelf that has the first capture, taken at `first`, and four weeks of nights before.

    Of a sample that is small enough for a simulation of so many nights `to_come`.
    """
    segments = max(1, assumptions.in_use_bytes // segment_bytes)
    one_in = ceil(segments / min(SAMPLED_CELLS, 100 * CHANGES_A_RUN / to_come / max(assumptions.changed, 0.01)))
    cells = max(1, segments // one_in)
    stored = round(segment_bytes * assumptions.stored / 100 / 512) * 512
    change = cells * assumptions.changed / 100
    same = round(change * assumptions.again / 100)
    nights = []
    for number in range(_NIGHTS):
        others = round(change) - same
        elsewhere = {same + int(fraction(number * others + n) * (cells - same)) for n in range(others)}
        written = dict.fromkeys([*range(same), *elsewhere], stored)
        changes = Changes("", one_in, sum(written.values()) * one_in, written, {}, frozenset())
        nights.append(Night(first - timedelta(days=_NIGHTS - number), changes))
    return ShelfThere(
        captures=(Candidate("first", 1, first, True, "image", "good"),),
        parts=(PartThere(cells * one_in * stored, 0.0),),
        older=(),
        current={cell: Current(0, 0, one_in * stored) for cell in range(cells)},
        table_share=_TABLE_SHARE,
        capture_bytes=segments * _CONTENTS_BYTES + _RECORD_BYTES,
        night_bytes=_EVENTS_BYTES,
        other_bytes=_OTHER_BYTES,
    ), nights
