"""Talking with somebody at a terminal: words, questions, and choices. Everything goes to standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from backupctl.cli import share_questions
from backupctl.cli.text import paragraph, printable
from backupctl.domain.errors import UsageError


class Conversation:
    """`agreed`: whatever is shown is agreed to, so that only what is missing is asked for."""

    def __init__(self, agreed: bool) -> None:
        self.agreed = agreed
        self._answers: dict[str, str] = {}  # by option: what was said last is proposed the next time
        self._has_just_asked = True

    def say(self, text: str) -> None:
        """Text that is laid out already, below an empty line."""
        self._has_just_asked = False
        print(f"\n{printable(text)}", file=sys.stderr, flush=True)

    def tell(self, text: str) -> None:
        """One paragraph."""
        self.say(paragraph(text))

    def ask(self, given: str | None, option: str, question: str, default: str | None = None) -> str:
        """As `share_questions.asked`; what has a default, and is agreed to, is not asked."""
        if given is not None:
            return given
        if self.agreed and default is not None:
            return default
        self._leave_a_line()
        said = share_questions.asked(None, option, question, self._answers.get(option) or default)
        self._answers[option] = said
        return said

    def forget(self, option: str) -> None:
        """What was said there is not proposed again."""
        self._answers.pop(option, None)

    def password(self, user: str, server: str, file: Path | None) -> str:
        """As `share_questions.password_of`. Raises UsageError where there is none."""
        password = share_questions.password_of(user, server, file)
        if password is None:
            raise UsageError("which password?", "Say --password-file FILE, or run this at a terminal, where it asks.")
        return password

    def _leave_a_line(self) -> None:
        if not self._has_just_asked:
            print(file=sys.stderr)
        self._has_just_asked = True

    def choose(self, question: str, answers: Sequence[str], agreed: str | None) -> str:
        """One of `answers`, or of their beginnings; `agreed` is the one that needs no asking if all is agreed to.

        Raises UsageError where nobody can answer.
        """
        if self.agreed and agreed is not None:
            return agreed
        self._leave_a_line()
        while True:
            said = share_questions.asked(None, "--yes", f"{question} ({', '.join(answers)})").lower()
            found = [answer for answer in answers if said and answer.startswith(said)]
            if len(found) == 1:
                return found[0]
            print(f"Please type one of: {', '.join(answers)}.", file=sys.stderr, flush=True)


def refuse_without_terminal() -> None:
    """Raises UsageError where nobody can answer."""
    if not sys.stdin.isatty():
        raise UsageError(
            "begin asks questions, and there is no terminal to answer at",
            "Say --dry-run to see what there is to do; or --yes, with --server, --path, --user and --password-file.",
        )
