"""What goes to the shelf of all that a capture reads: segments that it does not hold, and old copies' successors."""

from __future__ import annotations

from array import array

from backupctl.operations.capturing.part_series import STABLE, PartSeries
from backupctl.operations.capturing.renewal import Renewal
from backupctl.operations.capturing.segmenting import Segment
from backupctl.share.index import SegmentIndex


class NewSegments:
    """For use by one thread."""

    def __init__(self, index: SegmentIndex, series: PartSeries, renewal: Renewal | None = None) -> None:
        self._index = index
        self._series = series
        self._renewal = renewal
        self._known = len(index)
        self._stored = array("I")  # of new segments, which the index numbers from there on

    def __len__(self) -> int:
        return len(self._stored)

    @property
    def stored_bytes(self) -> int:
        """Of all of them."""
        return sum(self._stored)

    @property
    def written(self) -> int:
        """Bytes that went to the share so far."""
        return self._series.written

    def put(self, segment: Segment, series: int) -> None:
        """Has a segment written, to STABLE or CHURN, if the shelf does not hold it; sets its number.

        Raises OSError of the share.
        """
        if not segment.stored:
            return
        # The same content may have come along since the worker looked.
        segment.number = self._index.find(segment.hash)
        if segment.number < 0:
            segment.number = self._add(segment, series)
            self._stored.append(len(segment.stored))
        elif self._renewal is not None and self._renewal.take(segment.number, len(segment.stored)):
            self._add(segment, STABLE)
        segment.stored = b""

    def _add(self, segment: Segment, series: int) -> int:
        part = self._series.add(series, segment.hash, segment.sha256, segment.length, segment.stored)
        return self._index.add(segment.hash, part, segment.sha256)

    def stored_for(self, number: int) -> int:
        """Bytes that were written for a segment, 0 if the shelf held it."""
        return self._stored[number - self._known] if number >= self._known else 0
