"""How the policy of a capture differs from that of the one before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

_LONGEST_VALUE = 60


def policy_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, list[Any]]:
    """`[old, new]` by `name` and `section.key`, of two policies as records have them (`before` is not to be trusted).

    A key that only one of them has is another version of the program's, and no change of the policy.
    """
    old = dict(_flat(before))
    return {
        key: [old[key], value]
        for key, value in _flat(after)
        if key in old and type(old[key]) is type(value) and old[key] != value
    }


def _flat(policy: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for name, section in policy.items():
        for key, value in section.items() if isinstance(section, Mapping) else [("", section)]:
            yield f"{name}.{key}" if key else name, list(value) if isinstance(value, tuple) else value


def changes_in_words(changes: object) -> str:
    """`retention.daily from 7 to 14, ...`; empty for none. Takes what stands on a share as it is."""
    pairs = changes.items() if isinstance(changes, dict) else ()
    return ", ".join(
        f"{key} from {_words(values[0])} to {_words(values[1])}"
        for key, values in pairs
        if isinstance(values, list) and len(values) == 2
    )


def _words(value: object) -> str:
    text = str(value)
    return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}..."
