"""Texts that name a disk or a volume by its identity, and the same texts with other identities."""

from __future__ import annotations

import re
from collections.abc import Mapping

# "5eed0001" within "a5eed0001" is none; nor is a serial that begins a longer UUID.
_BEFORE, _AFTER = rb"(?<![0-9A-Za-z-])", rb"(?![0-9A-Za-z-])"
_BY_LABEL = re.compile(rb"(?:^[ \t]*|root=|resume=|/by-)(?:PART)?LABEL[=/]", re.IGNORECASE | re.MULTILINE)


class Renaming:
    """Old identities and the new ones, as text of the same length; upper and lower case do not differ."""

    def __init__(self, new: Mapping[str, str]) -> None:
        assert all(len(old) == len(other) for old, other in new.items())
        self._new = {old.lower().encode(): other.lower().encode() for old, other in new.items()}
        either = b"|".join(re.escape(old) for old in self._new) or rb"(?!)"
        self._pattern = re.compile(_BEFORE + rb"(?:" + either + rb")" + _AFTER, re.IGNORECASE)

    def places(self, text: bytes) -> list[tuple[int, bytes]]:
        """Where old identities stand in `text`, and what has to stand there, in the case of what stood there."""
        found = []
        for match in self._pattern.finditer(text):
            old = match[0]
            new = self._new[old.lower()]
            found.append((match.start(), new.upper() if old != old.lower() else new))
        return found


def names_by_label(text: bytes) -> bool:
    """Whether a line of fstab or a boot command line names a volume by a label, which a clone has as well."""
    return _BY_LABEL.search(text) is not None
