"""What of a shelf's stock is needed, by which captures, and what nothing needs: it decides what may be removed.

Needed is what any folder of a capture refers to that has a record, whether or not that record can be read or counts.
Where a segment stands twice, one copy counts, its owner: an intact one before one that is known to be damaged (which
may yet be read one day), one in a part that has been confirmed before one in a part that has not, and of those the one
confirmed last. All others are as good as dead.
"""

from __future__ import annotations

import errno
from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from itertools import accumulate
from operator import add
from typing import NamedTuple

from backupctl.domain.errors import Malformed, Refused
from backupctl.domain.events import History
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.segments import Place
from backupctl.share.captures import Captures, read_record, record_name
from backupctl.share.index import SegmentIndex
from backupctl.share.parts import list_parts, part_name
from backupctl.share.shelf import Shelf, rows_without_table
from backupctl.share.spans import Spans, spans_of, streams_of
from backupctl.share.tables import PartSum, read_columns, table_name


@dataclass(frozen=True)
class PartFile:
    """A part as it stands on the shelf. Sizes in bytes; `segments` and `stored_bytes` are what its table lists."""

    part: str
    bytes: int
    table_bytes: int
    segments: int
    stored_bytes: int
    confirmed: bool
    modified: float  # by the server's clock, seconds since 1970
    has_table: bool  # that can be read


@dataclass(frozen=True)
class PartUse:
    """What of a part is needed: segments that it owns and that a capture holds."""

    file: PartFile
    live_segments: int
    live_bytes: int  # stored
    # Without a table, and something is needed that was found nowhere: it may stand in what could not be searched.
    perhaps_needed: bool

    @property
    def needed(self) -> bool:
        return self.live_segments > 0 or self.perhaps_needed


class Held(NamedTuple):
    """Segments that stand in the same part and are held by the same captures."""

    segments: int
    stored_bytes: int


class Survey:
    """The result of `survey`. Close `spans.index` when done.

    While `unreadable` names a capture that is to stay, nothing may be removed from the stock: nobody knows what it
    needs.
    """

    def __init__(self, spans: Spans, files: dict[str, PartFile], unreadable: tuple[tuple[str, str], ...]) -> None:
        self.spans = spans
        self.files = files
        self.unreadable = unreadable  # (capture, cause)
        self.held: dict[tuple[str, int], Held] = {}  # by part and holding: far fewer than there are segments
        self.lost: Counter[int] = Counter()  # segments without any copy, by holding
        sums: dict[tuple[int, int], list[int]] = {}
        for holding, (part, stored) in zip(spans.holding_of_each(), spans.index.stored_in(), strict=True):
            if stored:
                both = sums.setdefault((part, holding), [0, 0])
                both[0] += 1
                both[1] += stored
            else:
                self.lost[holding] += 1
        while sums:
            (part, holding), both = sums.popitem()
            self.held[spans.index.part_by_number(part), holding] = Held(*both)

    def place(self, hash: bytes) -> Place | None:
        """Where the copy of a segment stands that counts; None if no capture needs it, or there is no copy."""
        number = self.spans.index.find(hash)
        return self.spans.index.place_of(number) if number >= 0 else None

    def parts(self) -> dict[str, PartUse]:
        """What of each part is needed."""
        return self.without(())

    def without(self, captures: Collection[str]) -> dict[str, PartUse]:
        """The same if these captures were gone."""
        stays = [capture not in captures for capture in self.spans.captures]
        staying = [0, *accumulate(stays)]
        needed = [
            any(staying[end] > staying[start] for start, end in self.spans.runs(holding))
            for holding in range(self.spans.holdings)
        ]
        segments: Counter[str] = Counter()
        stored: Counter[str] = Counter()
        for (part, holding), held in self.held.items():
            if needed[holding]:
                segments[part] += held.segments
                stored[part] += held.stored_bytes
        missing = any(needed[holding] for holding in self.lost)
        return {
            part: PartUse(file, segments[part], stored[part], missing and not file.has_table)
            for part, file in self.files.items()
        }


def survey(
    shelf: Shelf,
    history: History,
    captures: Captures,
    note: Callable[[str], None],
    extra: Collection[str] = (),
    each: Callable[[str], None] = lambda words: None,
) -> Survey:
    """Looks at all contents and tables of a shelf.

    `captures`: only saves reading their records again; what is needed is seen on the share. `extra`: captures without
    a record that are needed as well, as long as they have contents (somebody is reading them). `note` is told of slow
    searches; `each` is called often, with words for how far it is. Raises OSError if the share is in trouble.
    """
    needed, refused = _needed(shelf, captures, extra)
    spans, unreadable = spans_of(shelf.storage, shelf.mark, needed, each)
    try:
        files = _find_copies(shelf, history, spans, note, each)
        return Survey(spans, files, (*refused, *unreadable))
    except BaseException:
        spans.index.close()
        raise


def _needed(shelf: Shelf, captures: Captures, extra: Collection[str]) -> tuple[list[str], list[tuple[str, str]]]:
    """The captures whose contents are needed; those of them that a newer version made, which may need more than that.

    Ordered by kind and sequence, so that neighbours have much in common.
    """
    storage = shelf.storage
    known = {record.id: number for number, record in enumerate(captures.records)}
    needed, refused = [], []
    for capture in filter(CAPTURE_ID.fullmatch, storage.names("captures")):
        if storage.size(record_name(capture)) is not None:
            if capture not in known:
                try:
                    read_record(storage, shelf.mark, capture)
                except Refused as error:
                    refused.append((capture, error.cause))
                except (Malformed, FileNotFoundError):
                    pass  # its contents say what it needs
                except OSError as error:
                    if error.errno != errno.EIO:
                        raise
        elif capture not in extra or not streams_of(storage, capture):
            continue
        needed.append(capture)
    return sorted(needed, key=lambda capture: (capture.split("-")[1], known.get(capture, -1), capture)), refused


@dataclass
class _Listed:
    """What a table lists that is there. `intact` and `damaged`: of needed segments their number, offset, stored and
    decoded length, in turns. Arrays, since a table may be long."""

    part: str
    segments: int = 0
    stored_bytes: int = 0
    intact: array[int] = field(default_factory=lambda: array("Q"))
    damaged: array[int] = field(default_factory=lambda: array("Q"))


def _find_copies(
    shelf: Shelf, history: History, spans: Spans, note: Callable[[str], None], each: Callable[[str], None]
) -> dict[str, PartFile]:
    """Gives the segments in `spans` the places of the copies that count; the parts of the shelf."""
    storage, index = shelf.storage, spans.index
    parts, tables = list_parts(storage)
    files: dict[str, PartFile] = {}
    damaged: list[_Listed] = []
    lost: dict[str, str] = {}
    for part in sorted(parts, key=lambda part: (history.confirmed_parts.get(part, -1), part)):  # the better, the later
        each(f"reading tables, {len(files)} of {len(parts)}")
        size = storage.size(part_name(part))
        if size is None:
            continue  # on its way out: SMB lists a file for as long as somebody has it open
        listed = _Listed(part)
        if part not in tables:
            lost[part] = f"the table of part {part} is missing"
        else:
            try:
                listed = _read_table(shelf, history, part, size, index)
            except Malformed as error:  # what a table says before its fault counts for nothing
                lost[part] = error.cause
        index.put_places(part, listed.intact)
        if listed.damaged:
            damaged.append(listed)
        files[part] = PartFile(
            part=part,
            bytes=size,
            table_bytes=storage.size(table_name(part)) or 0,
            segments=listed.segments,
            stored_bytes=listed.stored_bytes,
            confirmed=part in history.confirmed_parts,
            modified=storage.modified(part_name(part)),
            has_table=part not in lost,
        )
    searchable = {part: cause for part, cause in lost.items() if part not in history.damaged_parts}
    _search(shelf, searchable, files, index, note)
    for listed in reversed(damaged):
        for number, *place in zip(*[iter(listed.damaged)] * 4, strict=True):
            if index.place_of(number) is None:
                index.put_place(number, Place(listed.part, *place))
    return files


def _read_table(shelf: Shelf, history: History, part: str, size: int, index: SegmentIndex) -> _Listed:
    """Raises Malformed."""
    listed = _Listed(part)
    all_hurt = part in history.damaged_parts
    hurt = {hash for where, hash in history.damaged_copies if where == part}
    for columns in read_columns(shelf.storage, shelf.mark, part):
        if isinstance(columns, PartSum):
            continue
        there = bisect_right(list(map(add, columns.offset, columns.stored)), size)  # a part may have been cut short
        listed.segments += there
        listed.stored_bytes += sum(columns.stored[:there])
        numbers = index.find_each(columns.hash[:there])
        for number, hash, _, offset, stored, length in zip(numbers, *columns, strict=False):
            if number >= 0:
                is_hurt = all_hurt or (hurt and hash.hex() in hurt)
                copies = listed.damaged if is_hurt else listed.intact
                copies.extend((number, offset, stored, length))
    return listed


def _search(
    shelf: Shelf, lost: dict[str, str], files: dict[str, PartFile], index: SegmentIndex, note: Callable[[str], None]
) -> None:
    """Looks into parts whose tables are lost for what has no copy elsewhere, or none in a part that is confirmed."""
    for part, cause in reversed(lost.items()):  # as they count: confirmed last, first
        places = ((number, index.place_of(number)) for number in range(len(index)))
        wanted = {
            number
            for number, place in places
            if place is None or (files[part].confirmed and not files[place.part].confirmed)
        }
        if not wanted:
            continue
        note(f"{cause}; the part itself is searched, which takes a while")
        rows = rows_without_table(shelf, part)
        for row in rows:
            number = index.find(row.hash)
            if number in wanted:
                index.put_place(number, Place(part, row.offset, row.stored, row.length))
        stored = sum(row.stored for row in rows)
        files[part] = replace(files[part], segments=len(rows), stored_bytes=stored)
