"""What was made of pieces of a card before, so that a map of it that is made again costs what has changed since."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

_Answer = TypeVar("_Answer")


class MapMemory:
    """Answers about pieces of a card by what these hold, and never by where: the same bytes have the same answer."""

    def __init__(self) -> None:
        self._answers: dict[tuple[Hashable, bytes], Any] = {}

    def recall(self, question: Hashable, content: bytes, answer: Callable[[], _Answer]) -> _Answer:
        """What `answer` gave when the same was asked of the same content. `question` has all else that it depends on.

        What it raises is not remembered.
        """
        key = question, hashlib.blake2b(content, digest_size=16).digest()
        if key not in self._answers:
            self._answers[key] = answer()
        found: _Answer = self._answers[key]
        return found
