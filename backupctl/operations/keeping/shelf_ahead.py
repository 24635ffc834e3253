"""What a forecast starts from: what stands on a shelf, and what changed in the nights that the board had."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import chain
from math import ceil

from backupctl.domain.changes import is_sampled, parse_changes
from backupctl.domain.errors import NotFound
from backupctl.domain.events import Event, History
from backupctl.domain.files_policy import FILES, IMAGE
from backupctl.domain.forecast import sample_for
from backupctl.domain.member_cells import MemberCells
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.resampling import Night, smaller_sample
from backupctl.domain.retention import Candidate, Circumstances
from backupctl.domain.segments import SEGMENT_BYTES, Entry
from backupctl.domain.simulation import Current, Older, PartThere, ShelfThere
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards import usual_interval
from backupctl.operations.keeping.retention_plan import situation
from backupctl.operations.keeping.survey import Survey, survey
from backupctl.share.captures import Captures, list_captures
from backupctl.share.contents import read_contents
from backupctl.share.manifest import read_manifest
from backupctl.share.members import read_members
from backupctl.share.shelf import Shelf
from backupctl.share.storage import Storage

_HOUR, _DAY = timedelta(hours=1), timedelta(days=1)


@dataclass(frozen=True)
class Ahead:
    """All that a forecast of a board is made of. `nights`: measured, or assumed; at least one."""

    shelf: ShelfThere
    nights: list[Night]
    today: Circumstances
    last: datetime  # when the newest capture was taken, or should have been
    interval: timedelta  # between two


class ShelfReading:
    """A shelf, read once: close it when done."""

    def __init__(self, shelf: Shelf, facts: Facts, note: Callable[[str], None]) -> None:
        """Raises NotFound without a capture, OSError."""
        self._shelf = shelf
        self._storage: Storage = shelf.storage
        manifest = read_manifest(shelf.storage)
        self.history: History = manifest.history
        self.captures: Captures = list_captures(shelf.storage, shelf.mark, self.history)
        if not self.captures.records:
            raise NotFound(f"{shelf.board} has no capture yet", "Take one: backupctl capture")
        self.candidates, self.today = situation(self.captures, self.history, facts)
        self.nights = nights_of(manifest.events, self.today.zone, kind_of(self.newest.id))
        self.survey: Survey = survey(shelf, self.history, self.captures, note)

    def close(self) -> None:
        self.survey.spans.index.close()

    @property
    def newest(self) -> Candidate:
        """What the captures to come go on from: the newest good one."""
        return next((c for c in reversed(self.candidates) if c.state == "good"), self.candidates[-1])

    def ahead(self, nights: list[Night], to_come: int) -> Ahead:
        """For a forecast of so many nights. Raises Malformed for the contents of the newest capture, OSError."""
        one_in = sample_for(nights, to_come)
        last = max(self.newest.at, self.today.now - self.interval)
        same = smaller_sample(nights, one_in)
        return Ahead(self._there(one_in), same, self.today, last.astimezone(self.today.zone), self.interval)

    @property
    def interval(self) -> timedelta:
        """How often a capture is taken: every so many days, or hours. A day if nobody knows."""
        gap = usual_interval([night.at for night in self.nights]) or _DAY
        return max(1, round(gap / _DAY)) * _DAY if gap > 0.8 * _DAY else max(1, round(gap / _HOUR)) * _HOUR

    def _there(self, one_in: int) -> ShelfThere:
        found, newest = self.survey, self.newest.id
        order = [*(capture for capture in found.spans.captures if capture != newest), newest]
        position = {capture: number for number, capture in enumerate(order)}
        runs = []
        for holding in range(found.spans.holdings):
            held_by = chain.from_iterable(range(start, end) for start, end in found.spans.runs(holding))
            runs.append(_runs(position[found.spans.captures[at]] for at in held_by))
        numbers = {part: number for number, part in enumerate(found.files)}
        now = self.today.now.timestamp()
        parts = [PartThere(file.bytes, max(0.0, now - file.modified) / 86_400) for file in found.files.values()]
        older, current = [], {}
        groups: Counter[tuple[int, int]] = Counter()  # of what the newest has: bytes by part and position of the first
        for (part, holding), held in found.held.items():
            start, end = runs[holding][-1]
            if end == len(order):
                groups[numbers[part], start] += held.stored_bytes
            else:
                older.append(Older(numbers[part], tuple(runs[holding]), held.stored_bytes))
        sampled: Counter[tuple[int, int]] = Counter()
        for cell, entry in self._cells(newest):
            place = found.place(entry.hash) if entry.hash and is_sampled(cell, one_in) else None
            if place is not None:
                holding = found.spans.holding_of(found.spans.index.find(entry.hash))
                current[cell] = Current(numbers[place.part], runs[holding][-1][0], place.stored)
                sampled[numbers[place.part], runs[holding][-1][0]] += place.stored
        weighted = _weighted(current, groups, sampled)
        cells = self._card_cells(newest, one_in)
        return ShelfThere(
            captures=tuple(self._candidate(capture) for capture in order),
            parts=tuple(parts),
            older=tuple(older),
            current=weighted,
            table_share=sum(f.table_bytes for f in found.files.values()) / max(1, sum(part.stored for part in parts)),
            capture_bytes=_bytes_in(self._storage, f"captures/{newest}"),
            night_bytes=_bytes_in(self._storage, "manifest") // max(1, len(self.nights)),
            other_bytes=_bytes_in(self._storage, "manifest") + _bytes_in(self._storage, ""),
            most_cells=None if cells is None else cells + len(weighted) - len(current),
        )

    def _card_cells(self, capture: str, one_in: int) -> int | None:
        """How many there are room for on the card. What an archive is made of is not told by that."""
        record = next((record for record in self.captures.records if record.id == capture), None)
        if record is None or kind_of(capture) != IMAGE:
            return None
        return ceil(record.stream_bytes / SEGMENT_BYTES / one_in)

    def _cells(self, capture: str) -> Iterator[tuple[int, Entry]]:
        """What it is made of, each with its cell. Raises Malformed, OSError."""
        entries = read_contents(self._storage, self._shelf.mark, capture)
        if kind_of(capture) != FILES:
            return ((entry.offset // SEGMENT_BYTES, entry) for entry in entries)
        next(entries)
        found = list(entries)
        named = MemberCells([entry.offset for entry in found])
        for member in read_members(self._storage, self._shelf.mark, capture):
            named.add(member)
        return zip(named.cells, found, strict=False)  # what an archive ends with is of no member

    def _candidate(self, capture: str) -> Candidate:
        for candidate in self.candidates:
            if candidate.id == capture:
                return candidate
        return Candidate(capture, 0, _time_of(capture), False, "unreadable", "damaged", guard="its record is damaged")


def _weighted(
    current: dict[int, Current], groups: Counter[tuple[int, int]], sampled: Counter[tuple[int, int]]
) -> dict[int, Current]:
    """Each sampled cell with the bytes of those that it stands for; a group that has none in the sample is one cell."""
    made = {}
    for cell, found in current.items():
        key = found.part, found.first
        made[cell] = Current(*key, round(found.stored * groups[key] / sampled[key]))
    for number, (key, stored) in enumerate(groups.items()):
        if key not in sampled:
            made[-number - (1 << 60)] = Current(*key, stored)
    return made


def _runs(positions: Iterable[int]) -> list[tuple[int, int]]:
    """Half-open runs of numbers."""
    runs: list[tuple[int, int]] = []
    for position in sorted(positions):
        if runs and runs[-1][1] == position:
            runs[-1] = runs[-1][0], position + 1
        else:
            runs.append((position, position + 1))
    return runs


def kind_of(capture: str) -> str:
    """By its id."""
    found = CAPTURE_ID.fullmatch(capture)
    return found[2] if found else IMAGE


def nights_of(events: Iterable[Event], zone: tzinfo, kind: str = IMAGE) -> list[Night]:
    """What changed, by the captures of a kind that say so, in order."""
    nights = []
    for event in events:
        capture, changes = event.body.get("capture"), parse_changes(event.body.get("changes"))
        if event.kind != "captured" or not event.trusted or changes is None:
            continue
        if isinstance(capture, str) and CAPTURE_ID.fullmatch(capture) and kind_of(capture) == kind:
            nights.append(Night(_time_of(capture).astimezone(zone), changes))
    return nights


def _time_of(capture: str) -> datetime:
    try:
        return datetime.strptime(capture[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return datetime.fromtimestamp(0, UTC)


def _bytes_in(storage: Storage, folder: str) -> int:
    """Of the files in a folder, those in folders below it left out."""
    prefix = f"{folder}/" if folder else ""
    return sum(storage.size(prefix + name) or 0 for name in storage.names(folder))
