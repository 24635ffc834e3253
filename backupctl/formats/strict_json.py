"""JSON objects from places that are not trusted, field by field."""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Any

from backupctl.domain.errors import Malformed

_VALUES_MOST = 1 << 21  # the segments of a card of 2 TiB
_DEPTH_MOST = 32
_OFFSET_MOST = 1 << 62
_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")  # RFC 8259, section 6


def _too_deep(value: object) -> bool:
    level = [value]
    for _ in range(_DEPTH_MOST):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, dict) else outer if isinstance(outer, list) else ())
            if isinstance(inner, dict | list)
        ]
        if not level:
            return False
    return True


class Fields:
    """The fields of one JSON object; each reading names what was expected when it fails (Malformed)."""

    def __init__(self, structure: str, value: object) -> None:
        self.structure = structure
        if not isinstance(value, dict):
            raise Malformed(structure, 0, "a JSON object", type(value).__name__)
        self._value: dict[str, Any] = value

    @classmethod
    def parse(cls, structure: str, text: bytes) -> Fields:
        """Raises Malformed; also for more values, or deeper ones, than any of our files has."""
        try:
            if text.count(b",") + text.count(b"[") + text.count(b"{") > _VALUES_MOST:
                raise ValueError(f"more than {_VALUES_MOST} values")
            value = json.loads(text.decode("utf-8"), parse_constant=_refuse_constant)
            if _too_deep(value):
                raise ValueError(f"objects within objects, more than {_DEPTH_MOST} deep")
            if _SURROGATE.search(text):
                json.dumps(value, ensure_ascii=False).encode()  # UnicodeEncodeError for half a character
            return cls(structure, value)
        except (ValueError, RecursionError) as error:
            raise Malformed(structure, 0, "a JSON object", f"something else ({error})"[:200]) from None

    def _wrong(self, key: str, expected: str) -> Malformed:
        found = self._value.get(key)
        return Malformed(f"{self.structure}, field {key!r}", 0, expected, repr(found)[:80])

    def has(self, key: str) -> bool:
        return self._value.get(key) is not None

    def text(self, key: str, pattern: re.Pattern[str] | None = None, most: int = 4096) -> str:
        found = self._value.get(key)
        if not isinstance(found, str) or len(found) > most or (pattern and not pattern.fullmatch(found)):
            raise self._wrong(key, f"text like {pattern.pattern}" if pattern else f"text of at most {most} characters")
        return found

    def optional_text(self, key: str, pattern: re.Pattern[str] | None = None) -> str | None:
        return self.text(key, pattern) if self.has(key) else None

    def integer(self, key: str, low: int = 0, high: int = 1 << 62) -> int:
        found = self._value.get(key)
        if not isinstance(found, int) or isinstance(found, bool) or not low <= found <= high:
            raise self._wrong(key, f"a whole number from {low} to {high}")
        return found

    def number(self, key: str) -> float | None:
        found = self._value.get(key)
        if found is None:
            return None
        if not isinstance(found, int | float) or isinstance(found, bool) or not abs(found) < 1e300:
            raise self._wrong(key, "a number")
        return float(found)

    def time(self, key: str) -> str:
        """A moment by RFC 3339, as it stands there."""
        found = self.text(key, most=64)
        try:
            if datetime.fromisoformat(found).tzinfo is None:
                raise ValueError
        except ValueError:
            raise self._wrong(key, "a time with its offset from UTC") from None
        return found

    def flag(self, key: str) -> bool:
        found = self._value.get(key)
        if not isinstance(found, bool):
            raise self._wrong(key, "true or false")
        return found

    def objects(self, key: str) -> list[Fields]:
        return [Fields(f"{self.structure}, in {key!r}", item) for item in self._list(key)]

    def object(self, key: str) -> Fields:
        return Fields(f"{self.structure}, {key!r}", self._value.get(key))

    def raw_object(self, key: str) -> dict[str, Any]:
        found = self._value.get(key)
        if not isinstance(found, dict):
            raise self._wrong(key, "an object")
        return found

    def texts(self, key: str, pattern: re.Pattern[str] | None = None) -> tuple[str, ...]:
        found = self._list(key)
        if not all(isinstance(item, str) and (pattern is None or pattern.fullmatch(item)) for item in found):
            raise self._wrong(key, f"a list of texts{f' like {pattern.pattern}' if pattern else ''}")
        return tuple(found)

    def ranges(self, key: str) -> tuple[tuple[int, int], ...]:
        """Pairs of whole numbers `[start, end)`."""
        found = self._list(key)
        for pair in found:
            if not (isinstance(pair, list) and len(pair) == 2 and all(type(n) is int for n in pair)) or not (
                0 <= pair[0] < pair[1] <= _OFFSET_MOST
            ):
                raise self._wrong(key, "a list of ranges")
        return tuple((start, end) for start, end in found)

    def _list(self, key: str) -> list[Any]:
        found = self._value.get(key, [])
        if not isinstance(found, list):
            raise self._wrong(key, "a list")
        return found


def dump(value: dict[str, Any]) -> bytes:
    """JSON for people and machines: two spaces, one field a line, ending in a line end.

    Bytes of a file name that are no text become question marks: as half characters, no reader would take them.
    """
    return (json.dumps(value, indent=2, ensure_ascii=False) + "\n").encode(errors="replace")
