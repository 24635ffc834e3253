"""What the steps of `begin` have in common: what was said beforehand, who is talked with, and how work is done."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.cli.conversation import Conversation
from backupctl.cli.supervisor import STALL_SECONDS, Task, run
from backupctl.cli.view import View
from backupctl.domain.errors import Exit
from backupctl.operations.fleet.beginning import World
from backupctl.operations.shares.share_plan import SMB

Json = dict[str, Any]


class Ended(Exception):
    """The course ends here, with that code."""

    def __init__(self, code: Exit) -> None:
        super().__init__(code)
        self.code = code


class StepFailed(Exception):
    """A step came to nothing, for a reason that was told."""

    def __init__(self, code: Exit) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True)
class Given:
    """Answers that were given as options."""

    server: str | None = None
    path: str | None = None
    mount: str | None = None
    user: str | None = None
    protocol: str = SMB
    guest: bool = False
    password_file: Path | None = None
    like: str | None = None


@dataclass(frozen=True)
class Course:
    """`given`: what need not be asked for."""

    world: World
    given: Given
    talk: Conversation
    view: View

    def work(self, task: Task, stall_seconds: float = STALL_SECONDS) -> Json:
        """The result of a worker. Raises StepFailed once its error was told; Ended where somebody has stopped it."""
        result, code = run(task, self.view, stall_seconds)
        if result is not None:
            return result
        if code in (Exit.INTERRUPTED, Exit.TERMINATED):
            raise Ended(code)
        raise StepFailed(code)
