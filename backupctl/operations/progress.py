"""What an operation tells while it works, and how it is asked to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from backupctl.domain.errors import Interrupted
from backupctl.domain.events import Event


@dataclass(frozen=True)
class Step:
    """How far a step is. `total` and `done` are bytes; `written` is what went to the share so far, if anything does."""

    name: str
    done: int
    total: int
    written: int | None = None


class Reporter(Protocol):
    """The other end: a terminal, a journal, or nobody."""

    def step(self, step: Step) -> None: ...

    def note(self, text: str) -> None:
        """A line for the person at the terminal, and for the journal."""
        ...

    def ask(self, question: str, expected: str) -> bool:
        """Shows `question`; true if the answer is `expected`. False where nobody can answer."""
        ...

    def run(self, shelf: str, if_lost: Event | None) -> None:
        """A run on the shelf with that id has begun (None: it has ended). `if_lost`: what its manifest is to be told,
        should this process end without a word."""
        ...


class Quiet:
    """Nobody at the other end."""

    def step(self, step: Step) -> None: ...

    def note(self, text: str) -> None: ...

    def ask(self, question: str, expected: str) -> bool:
        return False

    def run(self, shelf: str, if_lost: Event | None) -> None: ...


def step_by_step(reporter: Reporter, stop: Stop) -> Callable[[str], None]:
    """For what has many short steps: called with words for each, it shows them, and stops if somebody asked."""

    def each(words: str) -> None:
        stop.check()
        reporter.step(Step(words, 0, 0))

    return each


class Stop:
    """Set by a signal; `check` where it is safe to stop."""

    def __init__(self) -> None:
        # No threading.Event: its lock is not reentrant, and one ctrl-C comes twice, from the terminal and from the
        # supervisor, so that the handler of the second may interrupt that of the first, and wait for it for ever.
        self._asked = False
        self._terminated = False

    def ask(self, terminated: bool) -> None:
        self._terminated = terminated
        self._asked = True

    def check(self) -> None:
        """Raises Interrupted once somebody asked."""
        if self._asked:
            raise Interrupted(self._terminated)
