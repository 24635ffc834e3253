"""The page for the bad day on a terminal, 80 columns wide."""

from __future__ import annotations

from typing import Any

from backupctl.cli.sheet_words import HEAD, passages, rows, where
from backupctl.cli.text import facts, paragraph, table
from backupctl.domain.units import local

Json = dict[str, Any]


def sheet(result: Json) -> str:
    lines = [
        f"FOR THE BAD DAY: bringing a board back. Printed {local(result['made'], zone=False)}.",
        "",
        facts(where(result)),
        "",
        table(HEAD, list(rows(result))),
    ]
    for passage in passages(result):
        lines += ["", passage.title.upper(), ""]
        for said, commands in passage.steps:
            lines.append(paragraph(said))
            lines += [f"    {line}" for line in commands]
    lines += [paragraph(f"warning: {text}") for text in result["problems"]]
    return "\n".join(lines)
