"""What was said about keeping captures, in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from backupctl.cli.render import guard_words
from backupctl.cli.text import command, paragraph
from backupctl.domain.units import local

Json = dict[str, Any]


def _named(item: Json) -> str:
    label = f", {item['label']}" if item["label"] else ""
    return f"{item['id']} ({local(item['started'], zone=False)}{label})"


def guarded(item: Json) -> str:
    return paragraph(f"{_named(item)} is {guard_words(item)}: {item['guarded']}")


def going_back(item: Json, called_as: list[str], share: Path) -> str:
    """The command that brings a guarded capture back."""
    words = [*called_as, "restore", item["id"], "CARD", "--board", item["board"], "--share", str(share)]
    return "\n".join(
        [
            "",
            "To go back to this state, on any computer that reaches the share:",
            "",
            command(words),
            "",
            paragraph("CARD is a card in a reader, such as /dev/sdb, or a file that is not there yet."),
        ]
    )


def unguarded(item: Json) -> str:
    return paragraph(f"{_named(item)} is not guarded any more; the policy decides how long it stays.")


def accepted(item: Json) -> str:
    return paragraph(f"{_named(item)} counts as good, and so do captures of this card that lack no more.")
