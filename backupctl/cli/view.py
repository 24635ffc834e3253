"""What a person sees while a command works: a line that moves on a terminal, plain lines in a journal."""

from __future__ import annotations

import shutil
import sys
import textwrap
import time

from backupctl.cli.text import WIDTH, printable
from backupctl.domain.units import duration, size
from backupctl.operations.progress import Step

_JOURNAL_SECONDS = 30.0


class View:
    """Progress, notes and errors go to standard error, results to standard output."""

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet
        self._terminal = sys.stderr.isatty()
        self._name = ""
        self._started = 0.0
        self._last_line = 0.0
        self._shown = False

    def step(self, step: Step) -> None:
        if self._quiet:
            return
        now = time.monotonic()
        if step.name != self._name:
            self._name, self._started, self._last_line = step.name, now, now
        text = printable(progress_text(step, now - self._started))
        if self._terminal:
            width = shutil.get_terminal_size().columns
            sys.stderr.write(f"\r\x1b[K{text[: width - 1]}")
            sys.stderr.flush()
            self._shown = True
        elif now - self._last_line >= _JOURNAL_SECONDS:
            self._last_line = now
            print(text, file=sys.stderr, flush=True)

    def clear(self) -> None:
        """Takes the moving line away."""
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._shown = False

    def note(self, text: str) -> None:
        self.clear()
        if not self._quiet:
            print(self._folded(text), file=sys.stderr, flush=True)

    def ask(self, question: str, expected: str) -> bool:
        self.clear()
        if not sys.stdin.isatty():
            return False
        print("\n".join(map(self._folded, question.splitlines())), file=sys.stderr)
        # Not by input(), whose prompt goes to standard output where that is a file: into the result.
        print("> ", end="", file=sys.stderr, flush=True)
        said = ""
        try:
            said = sys.stdin.readline()
        finally:
            if not said.endswith("\n"):
                print(file=sys.stderr)
        return said.strip() == expected

    def error(self, cause: str, hint: str) -> None:
        self.clear()
        lines = [f"backupctl: {cause}", *(f"  {line}" for line in hint.splitlines())]
        print("\n".join(map(self._folded, lines)), file=sys.stderr)

    def _folded(self, line: str) -> str:
        """A line as a terminal can show it; a journal breaks its lines itself."""
        if not self._terminal:
            return printable(line)
        return textwrap.fill(printable(line), WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def progress_text(step: Step, seconds: float) -> str:
    """`reading the card  1.21 GiB of 3.04 GiB, 312 MiB/s, 0:05 left, 410 MiB written`."""
    if not step.total:
        return step.name
    pieces = [f"{size(step.done)} of {size(step.total)}"]
    if seconds >= 1 and step.done:
        rate = step.done / seconds
        pieces.append(f"{size(rate)}/s")
        if step.total > step.done:
            pieces.append(f"{duration((step.total - step.done) / rate)} left")
    if step.written is not None:
        pieces.append(f"{size(step.written)} written")
    return f"{step.name}: {', '.join(pieces)}"
