"""Who claims which sectors of a card, according to its partition table."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

from backupctl.domain.errors import Malformed


class Claim(NamedTuple):
    """Sectors `[start, end)` that one structure of a table takes for itself."""

    start: int
    end: int
    owner: str  # "MBR partition 2", for messages
    told_at: int  # byte on the card where the table says so


def reject_overlap(claims: Iterable[Claim]) -> None:
    """Raises Malformed if two claims share a sector. Claims that are empty are not expected."""
    for lower, upper in pairwise(sorted(claims)):
        if upper.start < lower.end:
            raise Malformed(
                upper.owner,
                upper.told_at,
                f"a start at or after sector {lower.end}, where {lower.owner} ends",
                f"sector {upper.start}",
            )
