"""How two texts that have most lines in common differ: quick, since equal stretches are compared as blocks of bytes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import compress
from operator import ne

_BLOCK = 512  # bytes: a lone line that changed makes few others be looked at
_LINES_AT_ONCE = 4096
_LIKE = 12  # characters at the beginning of lines by which two are probably of the same stretch
_NUMBER = 24  # characters, and more than any number has


def line_changes(old: bytes, new: bytes) -> Iterator[tuple[list[bytes], list[bytes]]]:
    """Lines of `old` and of `new`, some thousand at a time. What is left out of both are the same lines, each as often.

    Lines end in LF, begin with a number that ends in TAB, and ascend by it: then there are few in both results that
    cancel each other out. The result is true of any other texts as well.
    """
    gone: list[bytes] = []
    come: list[bytes] = []
    for before, after in _different(old, new):
        if len(gone) + len(come) > _LINES_AT_ONCE:
            yield gone, come
            gone, come = [], []
        lines_before, lines_after = before.split(b"\n"), after.split(b"\n")  # and nothing behind the last LF of both
        if len(lines_before) == len(lines_after):
            differ = list(map(ne, lines_before, lines_after))
            gone += compress(lines_before, differ)
            come += compress(lines_after, differ)
        else:  # lines came or went: what stands before and after them is the same
            _drop_common(lines_before, lines_after)
            gone += lines_before
            come += lines_after
    yield gone, come


def _drop_common(before: list[bytes], after: list[bytes]) -> None:
    """Takes away what both begin with, and what both end with."""
    for _ in range(2):
        while before and after and before[-1] == after[-1]:
            before.pop()
            after.pop()
        before.reverse()
        after.reverse()


def _different(old: bytes, new: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Pairs of stretches of whole lines. Between them, and before and after them, the texts are the same."""
    here = there = 0  # in `old` and in `new`, both at the beginning of a line
    while True:
        start = there
        while old[here : here + _BLOCK] == new[there : there + _BLOCK]:
            here += _BLOCK
            there += _BLOCK
            if there >= len(new):
                break
        if here >= len(old) and there >= len(new):
            return
        back = there - max(start, new.rfind(b"\n", start, there) + 1)
        here -= back
        there -= back
        end = new.find(b"\n", there + _BLOCK) + 1 or len(new)
        if end == len(new):
            end_before = len(old)
        else:
            end_before = here + end - there
            if old[end_before - 1 : end_before + _LIKE] != new[end - 1 : end + _LIKE]:  # they go on with other lines
                end_before = _line_from(old, here, _first_field(new, end))
        yield old[here:end_before], new[there:end]
        here, there = end_before, end


def _first_field(text: bytes, at: int) -> bytes:
    """Of the line that begins at `at`, with its TAB; empty if there is none of a number's length."""
    return text[at : text.find(b"\t", at, at + _NUMBER) + 1]


def _line_from(text: bytes, low: int, field: bytes) -> int:
    """Where the first line from `low` on begins whose first field, with its TAB, is not below `field`.

    The end of the text if `field` is empty.
    """
    high = len(text)
    if not field:
        return high
    wanted = len(field), field  # this is how numbers without leading zeros are ordered
    while low < high:
        middle = text.rfind(b"\n", low, (low + high) // 2) + 1 or low
        found = _first_field(text, middle)
        if (len(found), found) < wanted:
            low = text.find(b"\n", middle) + 1
        else:
            high = middle
    return low
