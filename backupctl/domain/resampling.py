"""Nights to come, drawn from the nights that a board had: which cells of its card will change.

Drawn are stretches of a week that begin on the right day of the week, not single nights, since nights hang together: an
upgrade comes weekly, and a log is written for some nights and then rests. A run that doubts first draws the weeks that
it believes in, and then the future from these: between such runs lies also how little a short history says (as with
the bootstrap: B. Efron, Bootstrap Methods: Another Look at the Jackknife, The Annals of Statistics 7, 1979).

A database's cells change again and again; those of an upgrade are next time mostly others. Of a cell that changed in k
of the stretches, (k - d) / k of the changes are drawn with its identity, the rest for cells that nobody has seen change
yet: d = N1 / (N1 + 2 N2), where N1 and N2 cells changed in one and in two stretches. (Absolute discounting, as language
models have it for words not seen yet: Ney, Essen and Kneser, On structuring probabilistic dependences in stochastic
language modelling, Computer Speech and Language 8, 1994; cited from memory.)
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain

from backupctl.domain.changes import Changes

Chance = Callable[[], float]  # uniform, from 0 up to 1

_STRETCH = 7  # nights
_FEWEST_STRETCHES = 3  # to draw from; with fewer, single nights are drawn
_TRIES = 100  # to find a cell that nothing has happened to in the stretch


@dataclass(frozen=True)
class Night:
    """What a capture found changed, and when it was taken (in the board's zone)."""

    at: datetime
    changes: Changes


def smaller_sample(nights: Sequence[Night], one_in: int = 1) -> list[Night]:
    """The same nights, all by one sample: of one cell in `one_in`, or of the smallest that a night has.

    How many cells are written, appear and are freed in all nights together is kept, as nearly as can be. By chance, one
    night's sample could have cells that appear and none that are freed, and a card would grow for ever by it.
    """
    coarsest = max(night.changes.one_in for night in nights)
    one_in = max(coarsest, one_in)
    had, has = [0, 0, 0], [0, 0, 0]
    made = []
    for night in nights:
        changes = night.changes.sampled(coarsest)
        had = [n + len(cells) for n, cells in zip(had, (changes.written, changes.appeared, changes.freed), strict=True)]
        should = [round(n * coarsest / one_in) for n in had]
        changes = changes.fewest(*(n - before for n, before in zip(should, has, strict=True)))
        has = should
        made.append(Night(night.at, replace(changes, one_in=one_in)))
    return made


class Past:
    """The nights of a board, made ready to be drawn from."""

    def __init__(self, nights: Sequence[Night]) -> None:
        """`nights`: at least one, in order, all of the same sample.

        `weight`: the bytes that one sampled byte stands for. `again`: for each cell that changed, how much of that is
        drawn with its identity.
        """
        self.nights = nights
        sampled = sum(sum(night.changes.written.values()) + sum(night.changes.appeared.values()) for night in nights)
        self.weight = sum(night.changes.stored for night in nights) / sampled if sampled else 1.0
        self._stretch = _STRETCH if len(nights) >= _FEWEST_STRETCHES * _STRETCH else 1
        seen: defaultdict[int, set[int]] = defaultdict(set)  # the stretches in which a cell changed
        for number, night in enumerate(nights):
            for cell in chain(night.changes.written, night.changes.appeared, night.changes.freed):
                seen[cell].add(number // self._stretch)
        cells = Counter(map(len, seen.values()))  # by the number of stretches
        discount = cells[1] / (cells[1] + 2 * cells[2]) if cells[1] else 0.0
        self.again = {cell: 1 - discount / len(stretches) for cell, stretches in seen.items()}

    def _starts(self, weekday: int) -> list[int]:
        """Numbers of the nights that a stretch may begin with."""
        last = len(self.nights) - self._stretch
        if self._stretch == 1:
            return list(range(last + 1))
        starts = [number for number in range(last + 1) if self.nights[number].at.weekday() == weekday]
        return starts or list(range(last + 1))

    def draw(self, times: Iterable[datetime], chance: Chance, doubt: bool) -> Iterator[tuple[Changes, bool]]:
        """For each of `times` what changed in a night like it, and whether a new stretch begins with it.

        `doubt`: the stretches that are drawn from are themselves drawn, once.
        """
        believed: dict[int, list[int]] = {}
        number = left = 0
        for at in times:
            begins = not left
            if begins:
                weekday = at.weekday()
                if weekday not in believed:
                    starts = self._starts(weekday)
                    believed[weekday] = [_one_of(starts, chance) for _ in starts] if doubt else starts
                number, left = _one_of(believed[weekday], chance), self._stretch
            yield self.nights[number].changes, begins
            number, left = number + 1, left - 1


def _one_of(numbers: Sequence[int], chance: Chance) -> int:
    return numbers[int(chance() * len(numbers))]


class Places:
    """Which cells of the card the cells of a drawn night are in the night to come."""

    def __init__(self, again: dict[int, float], in_use: Iterable[int], chance: Chance) -> None:
        """`again`: as of `Past`; `in_use`: the cells of the newest capture."""
        self._again = again
        self._unseen = [cell for cell in in_use if cell not in again]  # and some that have been freed since
        self._drawn: dict[int, int] = {}
        self._taken: set[int] = set()  # by one of those drawn
        self._chance = chance
        self._next = 0

    def begin_stretch(self) -> None:
        """What is not drawn with its identity takes place elsewhere than in the last stretch."""
        self._drawn.clear()
        self._taken.clear()

    def in_use(self, drawn: int, is_in_use: Callable[[int], bool]) -> int:
        """The cell for one that held something before it changed."""
        return self._place(drawn, lambda: self._unseen_one(is_in_use))

    def free(self, drawn: int) -> int:
        """The cell for one that held nothing before."""
        return self._place(drawn, self._new)

    def _place(self, drawn: int, choose: Callable[[], int]) -> int:
        cell = self._drawn.get(drawn)
        if cell is None:
            same = self._chance() < self._again[drawn] and drawn not in self._taken
            cell = self._drawn[drawn] = drawn if same else choose()
            self._taken.add(cell)
        return cell

    def _new(self) -> int:
        self._next -= 1  # below zero: nobody has seen it yet
        self._unseen.append(self._next)
        return self._next

    def _unseen_one(self, is_in_use: Callable[[int], bool]) -> int:
        unseen = self._unseen
        for _ in range(_TRIES):
            if not unseen:
                break
            at = int(self._chance() * len(unseen))
            cell = unseen[at]
            if not is_in_use(cell):
                unseen[at] = unseen[-1]
                unseen.pop()
            elif cell not in self._taken:
                return cell
        return self._new()
