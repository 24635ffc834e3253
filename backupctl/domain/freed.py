"""The room that a removal gives back, by what was removed and by what the share has free since."""

from __future__ import annotations

from backupctl.domain.units import size

_SMALL = 4 << 20  # bytes: less than that, others on the same share gain and lose all the time


def is_kept(removed: int, freed: int) -> bool:
    """Whether the share may keep what was removed, in a recycle bin or in snapshots. Sizes in bytes."""
    return removed >= _SMALL and freed < removed // 2


def given_back(removed: int, freed: int) -> str:
    """In words that hold also where the share does not show it. Sizes in bytes."""
    if is_kept(removed, freed):
        return f"{size(removed)} deleted, {size(freed)} more free"
    return f"{size(removed)} given back"
