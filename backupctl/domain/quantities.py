"""Sizes and spans of time, as people write them in a policy."""

from __future__ import annotations

import re

_BYTES = {"": 1, "B": 1, "KB": 10**3, "MB": 10**6, "GB": 10**9, "KIB": 1 << 10, "MIB": 1 << 20, "GIB": 1 << 30}
_SECONDS = {"MIN": 60, "H": 3600, "D": 86_400, "W": 7 * 86_400}
_QUANTITY = re.compile(r"(\d{1,15}(?:\.\d{1,9})?)\s*([A-Z]{0,3})", re.IGNORECASE | re.ASCII)


def parse_size(text: str) -> int:
    """Bytes in `64 MiB`, `20 MB` or `512`. Raises ValueError."""
    return _parse(text, _BYTES, "a size", "'64 MiB' or '20 MB'")


def parse_span(text: str) -> int:
    """Seconds in `45 min`, `36 h` or `2 w`; a day is 24 hours, whatever a clock is put to. Raises ValueError."""
    return _parse(text, _SECONDS, "a span of time", "'45 min', '36 h', '10 d' or '2 w'")


def _parse(text: str, units: dict[str, int], what: str, like: str) -> int:
    found = _QUANTITY.fullmatch(text.strip())
    if not found or found[2].upper() not in units:
        raise ValueError(f"not {what}: {text!r} (like {like})")
    return int(float(found[1]) * units[found[2].upper()])
