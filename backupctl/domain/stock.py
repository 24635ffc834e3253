"""A shelf's stock from night to night: parts, what is dead in them, and when that room is given back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from backupctl.domain.policy import SpacePolicy

_HEAD_BYTES = 512  # of a part
_TRASH_NIGHTS = 2  # for which a part that nothing needs stands in the trash
CONFIRMED_AFTER = 1  # nights until a copy counts, and what it was copied from is dead


@dataclass(eq=False, slots=True)
class Part:
    """`made`: in which night, below 0 for those that are there. `stored`, `living`: bytes, all and what is needed."""

    made: float
    stored: int = _HEAD_BYTES
    living: int = 0
    groups: list[Group] = field(default_factory=list)

    def write(self, stored: int) -> None:
        """So many bytes more, all of them needed."""
        self.stored += stored
        self.living += stored

    def group(self, first: int) -> Group:
        """A new group in this part."""
        group = Group(self, first)
        self.groups.append(group)
        return group


@dataclass(eq=False, slots=True)
class Group:
    """Segments that stand together from the night on in which they were written.

    `part`: where they are now; `first`: the position of the first capture that holds them.
    """

    part: Part
    first: int


class Stock:
    """Every night: `stand` for what was written, `bury` for what has died, and then `settle`."""

    def __init__(self, space: SpacePolicy, parts: Iterable[Part]) -> None:
        self._space = space
        self._touched: dict[Part, None] = {}  # as sets, but in order
        self._worth_moving: dict[Part, None] = {}
        self._leaving: Counter[int] = Counter()  # bytes by the night in which they are gone
        self.stored = self.written = self.moved = 0
        for part in parts:
            self.stored += part.stored
            self._touched[part] = None

    def stand(self, part: Part) -> None:
        """One more part, that a capture has written."""
        self.stored += part.stored
        self.written += part.stored

    def bury(self, group: Group, stored: int) -> None:
        """So many bytes of a group are needed by no capture any more."""
        group.part.living -= stored
        self._touched[group.part] = None

    def settle(self, night: int) -> None:
        """Removes what is due, and rewrites what is worth it."""
        self.stored -= self._leaving.pop(night, 0)
        for part in self._touched:
            if part.living <= 0:
                self._worth_moving.pop(part, None)
                self._leaving[night + _TRASH_NIGHTS] += part.stored
            elif 100 * (part.stored - part.living) >= self._space.rewrite_dead * part.stored:
                self._worth_moving[part] = None
        self._touched.clear()
        if self._worth_moving:
            self._rewrite(night)

    def _rewrite(self, night: int) -> None:
        copy, room = Part(night), self._space.rewrite_traffic
        for part in sorted(self._worth_moving, key=lambda part: part.living / part.stored):
            if part.living > room:
                continue
            room -= part.living
            copy.write(part.living)
            copy.groups += part.groups
            for group in part.groups:
                group.part = copy
            del self._worth_moving[part]
            self._leaving[night + CONFIRMED_AFTER + _TRASH_NIGHTS] += part.stored
        if copy.living:
            self.moved += copy.living
            self.stored += copy.stored
