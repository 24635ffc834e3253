"""What checks of a card, a shelf and a board look at, once the share has been reached."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import cast

from backupctl.domain.card_map import CardMap
from backupctl.domain.policy import Policy
from backupctl.domain.record import CaptureRecord, card_of
from backupctl.operations.capturing.source import Source
from backupctl.operations.capturing.tree_source import TreeSource
from backupctl.operations.facts import Facts
from backupctl.operations.preflight.check import Check
from backupctl.operations.session import Session
from backupctl.share.captures import list_captures
from backupctl.share.marks import read_share_mark
from backupctl.share.probe import Probed
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage


@dataclass(frozen=True)
class Reached:
    """What was found out of a share before anything on it was opened: see `share.py`."""

    checks: tuple[Check, ...] = ()
    probed: Probed | None = None


NOT_TRIED = Reached()


@dataclass(frozen=True)
class Situation(ABC):
    """What does not depend on what is captured.

    `shelf` and `session` are None for a board that is new on the share, `probed` where nothing was tried.
    """

    folder: Path  # the share, or a shelf
    shelf: Shelf | None
    session: Session | None
    facts: Facts
    policy: Policy
    subject: Source | TreeSource
    probed: Probed | None

    @property
    @abstractmethod
    def whole_bytes(self) -> int:
        """What a first capture would read, about."""

    @cached_property
    def captures(self) -> tuple[CaptureRecord, ...]:
        """Those of the same kind, oldest first."""
        if self.shelf is None or self.session is None:
            return ()
        records = list_captures(self.shelf.storage, self.shelf.mark, self.session.history).records
        return tuple(record for record in records if record.kind == self.subject.kind)

    def server_says(self) -> datetime | None:
        """By the clock of a server that is another machine."""
        if self.probed is None or self.same_machine:
            return None
        return self.facts.now() + timedelta(seconds=self.probed.ahead)

    @property
    def same_machine(self) -> bool:
        if self.shelf is not None:
            return self.shelf.mark.same_machine
        mark = read_share_mark(FolderStorage(self.folder))
        return mark is not None and mark.same_machine


@dataclass(frozen=True)
class CardSituation(Situation):
    """Of a card."""

    card: CardMap

    @property
    def source(self) -> Source:
        """The card that is open."""
        return cast(Source, self.subject)

    @property
    def whole_bytes(self) -> int:
        return self.card.data.total

    def newest_of_card(self) -> CaptureRecord | None:
        card = card_of(self.source.identity)
        return next((record for record in reversed(self.captures) if card_of(record.source) == card), None)


@dataclass(frozen=True)
class TreeSituation(Situation):
    """Of a tree of files."""

    @property
    def tree(self) -> TreeSource:
        """The folders that are captured."""
        return cast(TreeSource, self.subject)

    @property
    def whole_bytes(self) -> int:
        return self.captures[-1].in_use_bytes if self.captures else self.tree.used_bytes


def situation_of(
    folder: Path,
    shelf: Shelf | None,
    session: Session | None,
    facts: Facts,
    policy: Policy,
    subject: Source | TreeSource,
    probed: Probed | None = None,
) -> CardSituation | TreeSituation:
    """By what is captured; of a card, its map is made."""
    if isinstance(subject, TreeSource):
        return TreeSituation(folder, shelf, session, facts, policy, subject, probed)
    return CardSituation(folder, shelf, session, facts, policy, subject, probed, subject.map(policy.image.leave_out))
