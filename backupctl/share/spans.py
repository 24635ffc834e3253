"""Which captures hold which segment: for saying what may go, and what keeping costs."""

from __future__ import annotations

import re
import sys
from array import array
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice

from backupctl.domain.errors import Malformed
from backupctl.share.contents import contents_name, hashes_in, read_contents_text
from backupctl.share.index import SegmentIndex
from backupctl.share.line_changes import line_changes
from backupctl.share.marks import ShelfMark
from backupctl.share.storage import Storage

_CONTENTS = re.compile(r"contents\.(\d{1,9})\.tsv\.zst")
_AHEAD = 2  # texts that are unpacked and not yet compared
_TURN_SECONDS = 0.0002
_NEVER = (1 << 32) - 1
NOBODY = 0  # the holding of a segment that no capture holds


class Spans:
    """For each segment, the runs of captures that hold it. Captures are numbered from 0, in the order they came in.

    Most segments share the captures that hold them with many others: such a set has a number, its holding, and what
    depends on it is worked out once for all of them.
    """

    def __init__(self, index: SegmentIndex) -> None:
        self.index = index
        self.captures: list[str] = []
        # By number of the segment: since when the newest capture holds it, and who did before that.
        self._since, self._holding = array("I"), array("I")
        self._more: dict[int, int] = {}  # segments to which more than one line of the newest capture refers: how many
        # A holding is one that ends earlier, and one run more.
        self._holdings: list[tuple[int, int, int]] = [(NOBODY, 0, 0)]
        self._known: dict[tuple[int, int, int], int] = {}

    @property
    def holdings(self) -> int:
        """Holdings are numbered from 0 (`NOBODY`) below this."""
        return len(self._holdings)

    def holding_of(self, number: int) -> int:
        return self._holding[number]

    def holding_of_each(self) -> Iterator[int]:
        """Of all segments, in order."""
        return islice(self._holding, len(self.index))

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

    def add(self, capture: str, come: Sequence[bytes], gone: Sequence[bytes]) -> None:
        """Adds a capture, by the segments that it holds and the last one did not, and the other way round.

        A segment is named once for each line that refers to it. `come` and `gone` may have some in common.
        """
        at = len(self.captures)
        self.captures.append(capture)
        add, since, more = self.index.add, self._since, self._more
        since.extend([_NEVER] * (len(self.index) + len(come) - len(since)))
        self._holding.extend([NOBODY] * (len(since) - len(self._holding)))
        for hash in come:
            number = add(hash)
            if since[number] == _NEVER:
                since[number] = at
            else:
                more[number] = more.get(number, 0) + 1
        for number in self.index.find_each(gone):
            if number not in more:
                self._end(number, at)
            elif more[number] > 1:
                more[number] -= 1
            else:
                del more[number]

    def finish(self) -> None:
        """To be called after the last capture was added."""
        for number, since in enumerate(self._since):
            if since != _NEVER:
                self._end(number, len(self.captures))

    def _end(self, number: int, at: int) -> None:
        longer = (self._holding[number], self._since[number], at)
        known = self._known.get(longer)
        if known is None:
            known = self._known[longer] = len(self._holdings)
            self._holdings.append(longer)
        self._holding[number] = known
        self._since[number] = _NEVER


def streams_of(storage: Storage, capture: str) -> list[int]:
    """The numbers of the streams that there are contents of."""
    found = (_CONTENTS.fullmatch(name) for name in storage.names(f"captures/{capture}"))
    return [int(match[1]) for match in found if match]


def spans_of(
    storage: Storage, mark: ShelfMark, captures: Sequence[str], each: Callable[[str], None]
) -> tuple[Spans, list[tuple[str, str]]]:
    """The spans of these captures, and those whose contents cannot be read, each with the cause.

    Contents are compared as text with those before, and only lines that differ are looked at: fast where neighbours
    have much in common, right in any case. Whether lines are in order is for `read_contents` to check, before a
    capture is used; here it makes no difference. `each` is called between captures, with words for how far it is.
    Raises OSError if the share itself is in trouble.
    """
    spans = Spans(SegmentIndex(mark.hashing.length, with_places=True))
    unreadable = []
    before, before_of = b"", ""
    for capture, unpacked in _unpacked(storage, mark, captures):
        each(f"comparing captures, {len(spans.captures)} of {len(captures)}")
        try:
            text = unpacked.result()
            come: list[bytes] = []
            gone: list[bytes] = []
            for lines_gone, lines_come in line_changes(before, text):
                gone += hashes_in(lines_gone, mark, before_of)
                come += hashes_in(lines_come, mark, capture)
        except (Malformed, FileNotFoundError) as error:
            unreadable.append((capture, str(error)))
            continue
        spans.add(capture, come, gone)
        before, before_of = text, capture
    spans.finish()
    return spans, unreadable


def _unpacked(storage: Storage, mark: ShelfMark, captures: Sequence[str]) -> Iterator[tuple[str, Future[bytes]]]:
    """The contents of each. A thread unpacks the next ones, few at a time, while one is worked on."""

    def text_of(capture: str) -> bytes:
        streams = streams_of(storage, capture)
        if 0 not in streams:
            raise Malformed(contents_name(capture), 0, "contents", "none: the file is missing")
        return b"".join(read_contents_text(storage, mark, capture, stream) for stream in streams)

    # Unpacking needs the interpreter lock only some times for each text, but every time it waits for its turn, and that
    # is 5 ms as a rule (sys.setswitchinterval): longer than it takes.
    usual = sys.getswitchinterval()
    sys.setswitchinterval(_TURN_SECONDS)
    try:
        with ThreadPoolExecutor(1, thread_name_prefix="worker") as pool:
            futures = (pool.submit(text_of, capture) for capture in captures)
            ahead = deque(islice(futures, _AHEAD))
            for capture in captures:
                ahead.extend(islice(futures, 1))
                yield capture, ahead.popleft()
    finally:
        sys.setswitchinterval(usual)
