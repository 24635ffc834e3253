"""A made-up board, day by day: which cells of its card change, and to what. Seeded; nothing of it is measured.

It has what makes forecasts go wrong, in proportions like those of a board that measures and serves (common practice, no
source), on a card of 1200 cells of which some 800 are in use:

- a database: of its newest 14 cells most change on working days and half on others; every ten nights it has one more;
- logs: two cells are written for a week, then the next two of a ring of eight, and the oldest are emptied;
- package lists: four cells, most nights of Monday to Friday;
- an upgrade every Sunday: some 40 cells, mostly of packages that are upgraded often, and a few new places;
- three cells here and there, as the tables of a file system are;
- a few times a year a large change: pictures that come, or a tenth of the card at once; half of the pictures go again.
"""

from __future__ import annotations

import random
from datetime import date, timedelta

CELLS = 1200
_SUNDAY = 6
_SYSTEM, _SYSTEM_CELLS = 100, 450
_LOGS, _LISTS, _DATABASE = 0, 20, 30
_PICTURES = 620


class SyntheticBoard:
    """`held[cell]`: which of its contents a cell has, 0 for none (zeros)."""

    def __init__(self, seed: int, day: date) -> None:
        self._chance = random.Random(f"board {seed}")
        self._seed = seed
        self._day = day
        self._database = list(range(_DATABASE, _DATABASE + 14))
        # A few packages are upgraded every other week, most a few times a year.
        self._upgrades = [1 / (1 + place / 40) for place in range(_SYSTEM_CELLS)]
        self._chance.shuffle(self._upgrades)
        self._go_again: list[list[int]] = []
        self.held = [0] * CELLS
        in_use = [*range(16), *range(_LISTS, _LISTS + 4), *self._database, *range(_SYSTEM, _PICTURES + 250)]
        for cell in in_use:
            self.held[cell] = 1

    def one_day(self) -> None:
        """Until the next night's capture."""
        self._day += timedelta(days=1)
        chance, weekday = self._chance, self._day.weekday()
        at_work = weekday < 5
        self._change([cell for cell in self._database[-14:] if chance.random() < (0.9 if at_work else 0.5)])
        if self._day.toordinal() % 10 == 0:
            self._database.append(self._appear(1)[0])
        ring = self._day.toordinal() // 7 % 8
        self._change([_LOGS + 2 * ring, _LOGS + 2 * ring + 1])
        if weekday == 0:
            for cell in (_LOGS + (2 * ring + 2) % 16, _LOGS + (2 * ring + 3) % 16):
                self.held[cell] = 0
        if at_work:
            self._change([cell for cell in range(_LISTS, _LISTS + 4) if chance.random() < 0.8])
        if weekday == _SUNDAY:
            count = max(5, int(chance.gauss(40, 12)))
            self._change(set(chance.choices(range(_SYSTEM, _SYSTEM + _SYSTEM_CELLS), self._upgrades, k=count)))
            self._appear(3)
            self._free(chance.sample(self._in_use(_SYSTEM, CELLS), 3))
        self._change(chance.sample(self._in_use(_SYSTEM, CELLS), 3))
        if chance.random() < 1 / 90:
            self._large_change()
        if self._go_again and chance.random() < 1 / 60:
            self._free(self._go_again.pop(0))

    def _large_change(self) -> None:
        chance = self._chance
        if chance.random() < 0.5:
            new = self._appear(chance.randrange(20, 60))
            if chance.random() < 0.5:
                self._go_again.append(new)
        else:
            self._change(chance.sample(self._in_use(_SYSTEM, CELLS), chance.randrange(60, 100)))

    def _in_use(self, start: int, end: int) -> list[int]:
        return [cell for cell in range(start, end) if self.held[cell] and cell not in self._database]

    def _change(self, cells: list[int] | set[int]) -> None:
        for cell in cells:
            self.held[cell] = self._chance.getrandbits(60) | 1

    def _appear(self, count: int) -> list[int]:
        free = [cell for cell in range(_SYSTEM, CELLS) if not self.held[cell]]
        if len(free) < count:  # the card is full, so that somebody clears it up
            gone = self._chance.sample(self._in_use(_PICTURES, CELLS), 2 * count)
            self._free(gone)
            free += gone
        new = self._chance.sample(free, count)
        self._change(new)
        return new

    def _free(self, cells: list[int]) -> None:
        for cell in cells:
            self.held[cell] = 0

    def content(self, cell: int, cell_bytes: int) -> bytes:
        """The bytes of a cell: zeros, or as hard to compress as what is there on such a card."""
        if not self.held[cell]:
            return bytes(cell_bytes)
        if cell in self._database:
            random_part = 0.4
        elif cell < _LISTS:
            random_part = 0.15
        elif cell < _SYSTEM + _SYSTEM_CELLS:
            random_part = 0.6
        else:
            random_part = 1.0
        noise = random.Random(f"{self._seed} {cell} {self.held[cell]}").randbytes(int(cell_bytes * random_part))
        return noise.ljust(cell_bytes, b"\0")
