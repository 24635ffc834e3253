"""Writing metrics as text: OpenMetrics 1.0, https://prometheus.io/docs/specs/om/open_metrics_spec/ (from memory)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

_ESCAPES = str.maketrans({"\\": "\\\\", '"': '\\"', "\n": "\\n"})


@dataclass(frozen=True)
class Gauge:
    """A family of samples; `samples` are labels and a value each. A `unit` is the end of the name."""

    name: str
    help: str
    samples: Sequence[tuple[Mapping[str, str], float]]
    unit: str = ""


def exposition(gauges: Sequence[Gauge]) -> str:
    """The text of a whole file. Families without a sample are left out."""
    lines = []
    for gauge in gauges:
        if not gauge.samples:
            continue
        lines.append(f"# TYPE {gauge.name} gauge")
        if gauge.unit:
            lines.append(f"# UNIT {gauge.name} {gauge.unit}")
        lines.append(f"# HELP {gauge.name} {gauge.help.translate(_ESCAPES)}")
        for labels, value in gauge.samples:
            told = ",".join(f'{name}="{text.translate(_ESCAPES)}"' for name, text in labels.items())
            lines.append(f"{gauge.name}{f'{{{told}}}' if told else ''} {value!r}")
    return "\n".join([*lines, "# EOF"]) + "\n"
