"""Which captures hold which segment: for saying what may go, and what keeping costs."""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterable

from backupctl.domain.errors import Malformed
from backupctl.share.contents import contents_name, read_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.marks import ShelfMark
from backupctl.share.storage import Storage

_CONTENTS = re.compile(r"contents\.(\d{1,9})\.tsv\.zst")
NOBODY = 0  # the holding of a segment that no capture holds


class Spans:
    """For each segment, the runs of captures that hold it. Captures are numbered from 0, in the order they came in.

    Most segments share the captures that hold them with many others: such a set has a number, its holding, and what
    depends on it is worked out once for all of them.
    """

    def __init__(self, index: SegmentIndex) -> None:
        self.index = index
        self.captures: list[str] = []
        self._holding = array("I")  # by number of the segment
        # A holding is one that ends earlier, and one run more.
        self._holdings: list[tuple[int, int, int]] = [(NOBODY, 0, 0)]
        self._known: dict[tuple[int, int, int], int] = {}

    @property
    def holdings(self) -> int:
        """Holdings are numbered from 0 (`NOBODY`) below this."""
        return len(self._holdings)

    def holding_of(self, number: int) -> int:
        return self._holding[number]

    def runs(self, holding: int) -> list[tuple[int, int]]:
        """Half-open runs of numbers of captures, ascending."""
        found = []
        while holding != NOBODY:
            holding, start, end = self._holdings[holding]
            found.append((start, end))
        return found[::-1]

    def intervals(self, number: int) -> list[tuple[int, int]]:
        """The runs of captures that hold a segment."""
        return self.runs(self._holding[number])

    def add(self, capture: str, hashes: Iterable[bytes]) -> None:
        """Adds a capture that holds these segments. If `hashes` raises, nothing is added."""
        index, holding, holdings = self.index, self._holding, self._holdings
        numbers = {index.add(hash) for hash in hashes}
        holding.extend([NOBODY] * (len(index) - len(holding)))
        at = len(self.captures)
        self.captures.append(capture)
        for number in numbers:
            before, start, end = holdings[holding[number]]
            longer = (before, start, at + 1) if end == at and at else (holding[number], at, at + 1)
            known = self._known.get(longer)
            if known is None:
                known = self._known[longer] = len(holdings)
                holdings.append(longer)
            holding[number] = known


def streams_of(storage: Storage, capture: str) -> list[int]:
    """The numbers of the streams that there are contents of."""
    found = (_CONTENTS.fullmatch(name) for name in storage.names(f"captures/{capture}"))
    return [int(match[1]) for match in found if match]


def spans_of(storage: Storage, mark: ShelfMark, captures: Iterable[str]) -> tuple[Spans, list[tuple[str, str]]]:
    """The spans of these captures, and those whose contents cannot be read, each with the cause.

    Raises OSError if the share itself is in trouble.
    """
    spans = Spans(SegmentIndex(mark.hashing.length, with_places=True))
    unreadable = []
    for capture in captures:
        try:
            streams = streams_of(storage, capture)
            if 0 not in streams:
                raise Malformed(contents_name(capture), 0, "contents", "none: the file is missing")
            spans.add(
                capture,
                [
                    entry.hash
                    for stream in streams
                    for entry in read_contents(storage, mark, capture, stream)
                    if entry.hash
                ],
            )
        except (Malformed, FileNotFoundError) as error:
            unreadable.append((capture, str(error)))
    return spans, unreadable
