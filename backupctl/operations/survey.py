"""What of a shelf's stock is needed, by which captures, and what nothing needs: it decides what may be removed.

Needed is what any folder of a capture refers to that has a record, whether or not that record can be read or counts.
Where a segment stands twice, one copy counts, its owner: an intact one before one that is known to be damaged (which
may yet be read one day), one in a part that has been confirmed before one in a part that has not, and of those the one
confirmed last. All others are as good as dead.
"""

from __future__ import annotations

import errno
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from itertools import accumulate

from backupctl.domain.errors import Malformed, Refused
from backupctl.domain.events import History
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.segments import Place
from backupctl.share.captures import Captures, read_record, record_name
from backupctl.share.parts import list_parts, part_name
from backupctl.share.shelf import Shelf, rows_without_table
from backupctl.share.spans import NOBODY, Spans, spans_of, streams_of
from backupctl.share.tables import Row, read_table, table_name


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


class Survey:
    """The result of `survey`. Close `spans.index` when done.

    While `unreadable` names a capture that is to stay, nothing may be removed from the stock: nobody knows what it
    needs.
    """

    def __init__(self, spans: Spans, files: dict[str, PartFile], unreadable: tuple[tuple[str, str], ...]) -> None:
        self.spans = spans
        self.files = files
        self.unreadable = unreadable  # (capture, cause)
        # Segments and bytes by part and holding: far fewer than there are segments.
        self.segments: Counter[tuple[str, int]] = Counter()
        self.stored: Counter[tuple[str, int]] = Counter()
        self.lost: Counter[int] = Counter()  # segments without any copy, by holding
        for number in range(len(spans.index)):
            holding = spans.holding_of(number)
            place = spans.index.place_of(number)
            if holding == NOBODY:
                continue  # only in contents that could not be read to their end
            if place is None:
                self.lost[holding] += 1
            else:
                self.segments[place.part, holding] += 1
                self.stored[place.part, holding] += place.stored

    def place(self, hash: bytes) -> Place | None:
        """Where the copy of a segment stands that counts; None if no capture needs it, or there is no copy."""
        number = self.spans.index.find(hash)
        if number < 0 or self.spans.holding_of(number) == NOBODY:
            return None
        return self.spans.index.place_of(number)

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
        for (part, holding), count in self.segments.items():
            if needed[holding]:
                segments[part] += count
                stored[part] += self.stored[part, holding]
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
) -> Survey:
    """Looks at all contents and tables of a shelf.

    `captures`: only saves reading their records again; what is needed is seen on the share. `extra`: captures without
    a record that are needed as well, as long as they have contents (somebody is reading them). `note` is told of slow
    searches. Raises OSError if the share is in trouble.
    """
    needed, refused = _needed(shelf, captures, extra)
    spans, unreadable = spans_of(shelf.storage, shelf.mark, needed)
    try:
        files = _find_copies(shelf, history, spans, note)
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


def _find_copies(shelf: Shelf, history: History, spans: Spans, note: Callable[[str], None]) -> dict[str, PartFile]:
    """Gives the segments in `spans` the places of the copies that count; the parts of the shelf."""
    storage, index = shelf.storage, spans.index
    parts, tables = list_parts(storage)
    files: dict[str, PartFile] = {}
    damaged: list[tuple[bytes, Place]] = []
    lost = {}
    for part in sorted(parts, key=lambda part: (history.confirmed_parts.get(part, -1), part)):
        size = storage.size(part_name(part))
        if size is None:
            continue  # on its way out: SMB lists a file for as long as somebody has it open
        rows: list[Row] = []
        try:
            if part not in tables:
                lost[part] = f"the table of part {part} is missing"
            else:  # in whole, since what a table says before its fault counts for nothing
                rows = [row for row in read_table(storage, shelf.mark, part) if isinstance(row, Row)]
        except Malformed as error:
            lost[part] = error.cause
        rows = [row for row in rows if row.offset + row.stored <= size]
        for row in rows:
            place = Place(part, row.offset, row.stored, row.length)
            if index.find(row.hash) < 0:
                continue
            if history.is_intact(part, row.hash.hex()):
                index.add(row.hash, part, place=place)
            else:
                damaged.append((row.hash, place))
        files[part] = PartFile(
            part=part,
            bytes=size,
            table_bytes=storage.size(table_name(part)) or 0,
            segments=len(rows),
            stored_bytes=sum(row.stored for row in rows),
            confirmed=part in history.confirmed_parts,
            modified=storage.modified(part_name(part)),
            has_table=part not in lost,
        )
    _search(shelf, history, lost, spans, files, note)
    for hash, place in reversed(damaged):
        if index.place_of(index.find(hash)) is None:
            index.add(hash, place.part, place=place)
    return files


def _search(
    shelf: Shelf,
    history: History,
    lost: dict[str, str],
    spans: Spans,
    files: dict[str, PartFile],
    note: Callable[[str], None],
) -> None:
    """Looks into parts whose tables are lost for what has no copy elsewhere, or none in a part that is confirmed."""
    index = spans.index
    for part, cause in reversed(lost.items()):  # as they count: confirmed last, first
        if part in history.damaged_parts:
            continue
        wanted = {
            number
            for number in range(len(index))
            if spans.holding_of(number) != NOBODY
            and (
                (place := index.place_of(number)) is None or (files[part].confirmed and not files[place.part].confirmed)
            )
        }
        if not wanted:
            continue
        note(f"{cause}; the part itself is searched, which takes a while")
        rows = rows_without_table(shelf, part)
        for row in rows:
            if index.find(row.hash) in wanted:
                index.add(row.hash, part, place=Place(part, row.offset, row.stored, row.length))
        stored = sum(row.stored for row in rows)
        files[part] = replace(files[part], segments=len(rows), stored_bytes=stored)
