"""The page for the bad day as one sheet of A4, which needs nothing else to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from backupctl.cli.page import html_page
from backupctl.cli.sheet_words import HEAD, Passage, passages, rows, where
from backupctl.domain.units import local

Json = dict[str, Any]

_STYLE = """\
@page { size: A4; margin: 10mm 12mm; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 186mm; color: #000; background: #fff; font: 8.5pt/1.25 system-ui, sans-serif; }
h1 { font-size: 15pt; margin: 0 0 1mm; } h1 small { font-size: 9pt; font-weight: 400; }
h2 { font-size: 10pt; margin: 2.2mm 0 .8mm; border-bottom: .3mm solid #000; }
p { margin: 0 0 .6mm; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0 3mm; margin: 0 0 2mm; }
dt { font-weight: 600; } dd { margin: 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: .3mm 2.5mm .3mm 0; border-bottom: .15mm solid #999; }
.step { display: grid; grid-template-columns: 62mm minmax(0, 1fr); gap: 3mm; align-items: start; margin-bottom: .4mm; }
pre { margin: 0; padding: .6mm 1.5mm; background: #eee; font: 7.8pt/1.3 ui-monospace, monospace; white-space: pre-wrap;
  overflow-wrap: anywhere; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
section { break-inside: avoid; }
"""


def page(result: Json) -> str:
    """`result`: as `sheet --json` has it."""
    facts = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in where(result))
    head = "".join(f"<th>{escape(name)}</th>" for name in HEAD)
    lines = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows(result))
    sections = "".join(map(_section, passages(result)))
    body = f"""\
<h1>For the bad day <small>bringing a board back; printed {escape(local(result["made"], zone=False))}</small></h1>
<dl>{facts}</dl>
<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>
{sections}
"""
    return html_page("For the bad day", _STYLE, body)


def _section(passage: Passage) -> str:
    steps = "".join(
        f'<div class="step"><p>{escape(said)}</p><pre>{_lines(commands)}</pre></div>'
        if commands
        else f"<p>{escape(said)}</p>"
        for said, commands in passage.steps
    )
    return f"<section><h2>{escape(passage.title)}</h2>{steps}</section>\n"


def _lines(commands: Sequence[str]) -> str:
    return "\n".join(map(escape, commands))
