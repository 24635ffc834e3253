"""What is captured: a card, or a tree of files; by what was asked for, by the policy, or by what is there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from backupctl.domain.errors import UsageError
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.own_card import own_card
from backupctl.operations.capturing.source import Source, open_source
from backupctl.operations.capturing.tree_source import TreeSource, board_source, folder_source, roots_source


@dataclass(frozen=True)
class Subject:
    """`source`: a card file, a device, or a folder; None: this board, as the policy has it. `kind`: None: by those."""

    source: Path | None = None
    kind: str | None = None

    def kind_by(self, policy: Policy) -> str:
        """`image` or `files`."""
        if self.kind is not None:
            return self.kind
        if self.source is not None:
            return "files" if self.source.is_dir() else "image"
        return policy.capture.kind

    @contextmanager
    def opened(self, policy: Policy) -> Iterator[Source | TreeSource]:
        """To be entered before threads are started. Raises NotFound, Refused, UsageError."""
        if self.kind_by(policy) == "files":
            yield self._tree(policy)
            return
        if self.source is not None and self.source.is_dir():
            raise UsageError(f"{self.source} is a folder, and no card", "For its files: --kind files.")
        with open_source(self.source or own_card(), policy.image) as card:
            yield card

    def _tree(self, policy: Policy) -> TreeSource:
        if self.source is not None and not self.source.is_block_device():
            return folder_source(self.source)
        if self.source is None and policy.files.roots:
            return roots_source(policy.files.roots)
        card = own_card()
        if self.source is not None and self.source.resolve() != card.resolve():
            raise UsageError(
                f"{self.source} is not the card that this system runs from, so its files are not in sight",
                "Mount it, and name the folder; or capture it as an image.",
            )
        return board_source(card)

    def card(self, policy: Policy) -> Path | None:
        """The card, if one is captured; it need not be there now. Raises UsageError where it is not to be told."""
        if self.kind_by(policy) == "files":
            return None
        return self.source or own_card()
