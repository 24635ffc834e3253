"""One run of a shelf's future: every night a capture, a thinning, and what both leave on the share."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from backupctl.domain.changes import Changes, fraction
from backupctl.domain.keeping import Keeping
from backupctl.domain.policy import SpacePolicy
from backupctl.domain.resampling import Chance, Past, Places
from backupctl.domain.retention import Candidate
from backupctl.domain.stock import CONFIRMED_AFTER, Group, Part, Stock

_DAY = 86_400
_RENEWED_FROM, _RENEWED_TO = 0.75, 1.25  # of the age that the policy says, spread


@dataclass(frozen=True)
class PartThere:
    """A part that stands on the shelf: its bytes, and its age in days."""

    stored: int
    age: float


@dataclass(frozen=True)
class Older:
    """Bytes in a part, by its number, that captures hold, and the newest does not. `runs`: half-open, of positions."""

    part: int
    runs: tuple[tuple[int, int], ...]
    stored: int


@dataclass(frozen=True)
class Current:
    """What a sampled cell of the newest capture holds: so many bytes, the cells that it stands for included.

    `first`: the position of the first of the captures up to the newest that all hold it.
    """

    part: int
    first: int
    stored: int


@dataclass(frozen=True)
class ShelfThere:
    """What stands on a shelf today. Sizes are bytes."""

    captures: tuple[Candidate, ...]
    parts: tuple[PartThere, ...]
    older: tuple[Older, ...]
    current: dict[int, Current]  # by cell
    table_share: float  # bytes of tables for a byte of parts
    capture_bytes: int  # beside the stock, of one capture: contents, record, a standalone image
    night_bytes: int  # that the manifest grows by
    other_bytes: int  # all else
    most_cells: int | None = None  # that the card has, of the sample; None where nobody knows

    def total(self, stock: int, captures: int, nights: int) -> int:
        """Bytes of the whole shelf with so many in parts, so many captures, so many nights from now."""
        beside = captures * self.capture_bytes + nights * self.night_bytes + self.other_bytes
        return int(stock * (1 + self.table_share)) + beside

    @property
    def bytes_now(self) -> int:
        return self.total(sum(part.stored for part in self.parts), len(self.captures), 0)


@dataclass(slots=True, eq=False)
class _Version:
    group: Group
    stored: int


@dataclass
class Run:
    """`total[n]`: bytes of the shelf after night n; `written`, `moved`: by captures and by rewriting, in all.

    `held`: bytes by the positions of the first and the last capture that has them.
    """

    total: list[int]
    held: Counter[tuple[int, int]]
    written: int
    moved: int


def simulate(
    shelf: ShelfThere, past: Past, keeping: Keeping, space: SpacePolicy, chance: Chance, doubt: bool = False
) -> Run:
    """The same chance draws the same nights, whatever the policy. `doubt`: see `Past.draw`."""
    run = _Running(shelf, past, keeping, space, chance)
    for night, (changes, begins) in enumerate(past.draw(keeping.times, chance, doubt)):
        if begins:
            run.places.begin_stretch()
        run.capture(night, changes)
        run.thin(night)
    return run.result()


class _Running:
    """A run on its way."""

    def __init__(self, shelf: ShelfThere, past: Past, keeping: Keeping, space: SpacePolicy, chance: Chance) -> None:
        self._shelf = shelf
        self._keeping = keeping
        self._captures = len(shelf.captures)
        self._weight = past.weight
        self._parts = [Part(-part.age * _DAY / keeping.interval, part.stored) for part in shelf.parts]
        self._dying: defaultdict[int, Counter[Group]] = defaultdict(Counter)  # bytes by the night that ends them
        self._held: dict[int, _Version] = {}  # what the newest capture has, by cell
        self._most = shelf.most_cells
        self._renewal = _Renewal(space, keeping.interval)
        self._run = Run([], Counter(), 0, 0)
        self._take_over()
        self._stock = Stock(space, self._parts)
        newest = past.nights[-1].changes
        self._churn = newest.written.keys() | newest.appeared.keys()
        self.places = Places(past.again, shelf.current, chance)

    def _take_over(self) -> None:
        """What is there today."""
        for older in self._shelf.older:
            group = self._parts[older.part].group(older.runs[0][0])
            group.part.living += older.stored
            end = max(self._keeping.end_of(start, stop - 1) for start, stop in older.runs)
            self._dying[end][group] += older.stored
            self._run.held[older.runs[0][0], older.runs[-1][1] - 1] += older.stored
        groups: dict[tuple[int, int], Group] = {}
        for cell, current in self._shelf.current.items():
            key = current.part, current.first
            group = groups.get(key) or groups.setdefault(key, self._parts[current.part].group(current.first))
            group.part.living += current.stored
            self._hold(cell, _Version(group, current.stored))

    def _hold(self, cell: int, version: _Version) -> None:
        self._held[cell] = version
        self._renewal.expect(cell, version)

    def capture(self, night: int, changes: Changes) -> None:
        """`changes`: of a night that was drawn; which cells they are now is for `places` to say."""
        position = self._captures + night
        made = Part(night), Part(night)  # the stable one, and that of places which changed last time as well
        groups = made[0].group(position), made[1].group(position)
        written = set()
        for drawn in changes.freed:
            self._end(self.places.in_use(drawn, self._held.__contains__), position)
        for found, place in ((changes.written, self._place_in_use), (changes.appeared, self._place_free)):
            for drawn, stored in found.items():
                cell = place(drawn)
                self._end(cell, position)
                group = groups[cell in self._churn]
                stored = int(stored * self._weight)
                group.part.write(stored)
                self._hold(cell, _Version(group, stored))
                if stored:
                    written.add(cell)
        self._churn = written
        for cell, group in self._renewal.due(night, self._held, made[0]):
            version = self._held[cell]
            self._dying[night + CONFIRMED_AFTER][version.group] += version.stored
            self._hold(cell, _Version(group, version.stored))
        for part in made:
            if part.living:
                self._stock.stand(part)

    def _place_in_use(self, drawn: int) -> int:
        return self.places.in_use(drawn, self._held.__contains__)

    def _place_free(self, drawn: int) -> int:
        # What was measured in a few nights may grow night after night; the card does not.
        full = self._most is not None and len(self._held) >= self._most
        return self._place_in_use(drawn) if full else self.places.free(drawn)

    def _end(self, cell: int, position: int) -> None:
        """The capture at `position` is the first that has something else, or nothing, in a cell."""
        version = self._held.pop(cell, None)
        if version is not None:
            first = version.group.first
            self._dying[self._keeping.end_of(first, position - 1)][version.group] += version.stored
            self._run.held[first, position - 1] += version.stored

    def thin(self, night: int) -> None:
        for group, stored in self._dying.pop(night, Counter()).items():
            self._stock.bury(group, stored)
        self._stock.settle(night)
        self._run.total.append(self._shelf.total(self._stock.stored, len(self._keeping.kept[night]), night + 1))

    def result(self) -> Run:
        run, last = self._run, self._captures + len(self._run.total) - 1
        for version in self._held.values():
            run.held[version.group.first, last] += version.stored
        run.written, run.moved = self._stock.written, self._stock.moved
        return run


class _Renewal:
    """Segments that are seen again when they are old are written anew: not all at once, and so many bytes a night."""

    def __init__(self, space: SpacePolicy, interval: float) -> None:
        self._after = space.renew_after / interval  # nights
        self._most = space.renew_traffic
        # By the night of a look at them: whether they live that long, which few do; and then whether they are due.
        self._young: defaultdict[int, list[tuple[int, _Version]]] = defaultdict(list)
        self._expected: defaultdict[int, list[tuple[int, float, _Version]]] = defaultdict(list)

    def expect(self, cell: int, version: _Version) -> None:
        if self._after:
            night = max(0, int(version.group.part.made + _RENEWED_FROM * self._after))
            self._young[night].append((cell, version))

    def due(self, night: int, held: dict[int, _Version], made: Part) -> Iterator[tuple[int, Group]]:
        """Cells whose segments are written to `made`, and the group that they belong to there."""
        for cell, version in self._young.pop(night, ()):
            if held.get(cell) is version:
                spread = _RENEWED_FROM + (_RENEWED_TO - _RENEWED_FROM) * fraction(cell)
                self._at(cell, self._after * spread, version, night)
        room = self._most
        groups: dict[int, Group] = {}
        for cell, age, version in self._expected.pop(night, ()):
            if held.get(cell) is not version or not version.stored:
                continue
            if version.group.part.made + age > night or version.stored > room:
                self._at(cell, age, version, night + 1)  # it was moved meanwhile, or this night has written enough
                continue
            room -= version.stored
            made.write(version.stored)
            first = version.group.first
            yield cell, groups.get(first) or groups.setdefault(first, made.group(first))

    def _at(self, cell: int, age: float, version: _Version, earliest: int) -> None:
        night = max(earliest, ceil(version.group.part.made + age))
        self._expected[night].append((cell, age, version))
