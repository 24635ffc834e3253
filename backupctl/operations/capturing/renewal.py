"""Writing once more what stands on the share for long: no single old copy should carry every capture.

A segment is renewed when it is seen on the card again, and its copy is older than the policy's `renew_after`, times a
factor from 0.75 to 1.25 that its hash decides: so what one night wrote is renewed over months. A night stops at a
number of bytes.
"""

from __future__ import annotations

from backupctl.domain.events import History
from backupctl.domain.policy import SpacePolicy
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import list_parts, part_name
from backupctl.share.storage import Storage

_FROM, _TO = 0.75, 1.25


class Renewal:
    """What of the segments in an index is due. One thread may call `take` while others call `is_due`."""

    def __init__(self, index: SegmentIndex, ages: dict[int, float], space: SpacePolicy) -> None:
        """`ages`: of parts, by their numbers in the index, in seconds; others are new."""
        self._index = index
        self._ages = ages
        self._after = space.renew_after
        self._left = space.renew_traffic
        self.written = 0

    def is_due(self, number: int) -> bool:
        if not self._left:
            return False
        age = self._ages.get(self._index.part_number_of(number))
        if age is None or age < _FROM * self._after:
            return False
        fraction = int.from_bytes(self._index.hash_of(number)[:4]) / (1 << 32)
        return age >= (_FROM + (_TO - _FROM) * fraction) * self._after

    def take(self, number: int, stored: int) -> bool:
        """Whether a segment is to be written again now; then its `stored` bytes count. The last one ends the night."""
        if not self.is_due(number):
            return False
        if stored > self._left:
            self._left = 0
            return False
        self._left -= stored
        self.written += stored
        return True


def renewal_of(
    storage: Storage, history: History, index: SegmentIndex, space: SpacePolicy, server_time: float
) -> Renewal:
    """By the server's clock alone, now and when it wrote the parts. Raises OSError."""
    ages = {}
    for part in list_parts(storage)[0] if space.renew_after else ():
        if part in history.confirmed_parts:
            ages[index.part_number(part)] = server_time - storage.modified(part_name(part))
    return Renewal(index, ages, space)
