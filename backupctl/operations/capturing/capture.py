"""Taking a capture: what the shelf does not hold is written, and then one rename makes it exist."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.errors import UsageError
from backupctl.domain.files_policy import IMAGE
from backupctl.domain.names import capture_id, checked_label
from backupctl.domain.policy import Policy
from backupctl.domain.record import Guard
from backupctl.operations.capturing.files_run import FilesRun
from backupctl.operations.capturing.hooks import check_only_when
from backupctl.operations.capturing.image_run import ImageRun
from backupctl.operations.capturing.run import Wanted
from backupctl.operations.capturing.subject import Subject
from backupctl.operations.capturing.tree_source import TreeSource
from backupctl.operations.capturing.undoing import undo_left_over
from backupctl.operations.facts import Facts
from backupctl.operations.listing import summary
from backupctl.operations.preflight.check import refuse_if_any, warnings_for_the_record
from backupctl.operations.preflight.run import run_checks
from backupctl.operations.preflight.situation import NOT_TRIED, Reached, TreeSituation, situation_of
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.session import Session, hold, share_failed
from backupctl.share.shelf import Shelf
from backupctl.share.storage import write_whole

_UNFINISHED = "unfinished"


@dataclass(frozen=True)
class CaptureOptions:
    """What is asked for beyond the policy."""

    source: Path | None  # None: this board, as the policy has it
    policy: Policy
    _: KW_ONLY
    label: str | None = None
    guard: Guard | None = None
    confirm: bool = True  # hash what the last run wrote; without it, nothing of that run is referred to
    scheduled: bool = False  # by a night, and not by hand
    reread: bool = False  # also files that have not changed
    kind: str | None = None  # `image` or `files`; None: by source and policy
    while_frozen: Callable[[], None] | None = None  # a hook of tests: called in the instant that a live card is frozen

    def __post_init__(self) -> None:
        """Raises UsageError for a label that a capture cannot have, and for what its kind has not."""
        if self.label is not None:
            checked_label(self.label)
        if self.reread and self.subject.kind_by(self.policy) == IMAGE:
            raise UsageError("--reread is for captures of files", "Of a card, all that is in use is read each time.")

    @property
    def subject(self) -> Subject:
        return Subject(self.source, self.kind)


def capture(
    shelf: Shelf, options: CaptureOptions, facts: Facts, reporter: Reporter, stop: Stop, reached: Reached = NOT_TRIED
) -> dict[str, Any]:
    """Takes a capture; the object that `capture --json` prints. `reached`: what was found out of the share before.

    Raises BackupctlError of every kind; nothing that was on the shelf before is touched, whatever happens.
    """
    for text in undo_left_over(facts.state_folder):
        reporter.note(text)
    with options.subject.opened(options.policy) as source:
        if isinstance(source, TreeSource) or source.live is not None:
            check_only_when(options.policy.hooks)
        try:
            session = Session(shelf, facts, reporter)
        except OSError as error:
            raise share_failed(error) from error
        situation = situation_of(shelf.share_folder, shelf, session, facts, options.policy, source, reached.probed)
        checks = [*reached.checks, *run_checks(situation)]
        refuse_if_any(checks)
        if shelf.mark.same_machine:
            reporter.note("note: the share is a folder of this machine, and is lost with it")
        with hold(shelf, facts, reporter, f"capture of {source.path}", stop=stop) as held:
            started = facts.now()
            id = capture_id(started, source.kind, secrets.token_hex(3))
            mark = b'{"backupctl": "unfinished run", "capture": "%s"}\n' % id.encode()
            write_whole(shelf.storage, f"{_UNFINISHED}/{id}.json", mark)
            wanted = Wanted(options.policy, options.label, options.guard, options.confirm, options.scheduled)
            run: ImageRun | FilesRun
            if isinstance(situation, TreeSituation):
                run = FilesRun(held, wanted, situation.tree, id, started, stop, options.reread)
            else:
                run = ImageRun(held, wanted, situation.source, situation.card, id, started, stop, options.while_frozen)
            run.warnings += warnings_for_the_record(checks)
            record = run.take()
            try:
                for name in shelf.storage.names(_UNFINISHED):
                    shelf.storage.unlink(f"{_UNFINISHED}/{name}")
            except OSError as error:
                reporter.note(f"marks of unfinished runs could not be removed ({error}); the next run removes them")
            return {**summary(record, held.history, facts.now()), **run.notes()}
