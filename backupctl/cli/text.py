"""Tables and paragraphs for a terminal, 80 columns wide and without colour."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Sequence

WIDTH = 79
# Labels and messages from a card or a share may hold what a terminal obeys: C0, C1, delete (ECMA-48, 5.2 and 5.3).
_CONTROLS = {code: "?" for code in (*range(0x20), *range(0x7F, 0xA0)) if code != ord("\n")}


def printable(text: str) -> str:
    """`text` with `?` for each control character but the end of a line."""
    return text.translate(_CONTROLS)


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Columns as wide as their longest cell, two spaces apart; those numbered in `right` are aligned to the right.

    A last column that would go beyond the width is wrapped.
    """
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    last = len(head) - 1
    widths[last] = max(12, min(widths[last], WIDTH - sum(widths[:last]) - 2 * last))
    lines = []
    for row in [head, *rows]:
        wrapped = textwrap.wrap(row[last], widths[last]) or [""]
        cells = [cell.rjust(widths[i]) if i in right else cell.ljust(widths[i]) for i, cell in enumerate(row[:last])]
        tail = wrapped[0].rjust(widths[last]) if last in right else wrapped[0]
        lines.append("  ".join([*cells, tail]).rstrip())
        indent = " " * (sum(widths[:last]) + 2 * last)
        lines += [indent + more for more in wrapped[1:]]
    return "\n".join(lines)


def facts(pairs: Sequence[tuple[str, str]]) -> str:
    """`name   value` lines; long values are wrapped under themselves."""
    width = max(len(name) for name, _ in pairs) + 2
    return "\n".join(
        textwrap.fill(
            value, WIDTH, initial_indent=name.ljust(width), subsequent_indent=" " * width, break_on_hyphens=False
        )
        if value
        else name
        for name, value in pairs
    )


def paragraph(text: str, indent: str = "") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def command(words: Sequence[str], indent: str = "  ") -> str:
    """A command line for a shell, continued on further lines where it is long; an option stays with its value."""
    pieces: list[str] = []
    for before, word in zip(["", *words], words, strict=False):
        if before.startswith("-") and not word.startswith("-"):
            pieces[-1] += f" {shlex.quote(word)}"
        else:
            pieces.append(shlex.quote(word))
    lines = [indent + pieces[0]]
    for piece in pieces[1:]:
        if len(lines[-1]) + 1 + len(piece) + len(" \\") <= WIDTH:
            lines[-1] += f" {piece}"
        else:
            lines.append(f"{indent}  {piece}")
    return " \\\n".join(lines)
