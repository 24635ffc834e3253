"""Sets of bytes and cells of a grid, against sets of whole numbers."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.card_map import cells
from backupctl.domain.ranges import Ranges

MOST = 60
numbers = st.integers(0, MOST)
pairs = st.lists(st.tuples(numbers, numbers).map(lambda pair: (min(pair), max(pair))), max_size=8)


def members(found: object) -> set[int]:
    assert isinstance(found, Ranges)
    listed = list(found)
    # Ascending, none empty, and neither overlapping nor touching.
    assert all(start < end for start, end in listed)
    assert all(before[1] < after[0] for before, after in pairwise(listed))
    return {byte for start, end in listed for byte in range(start, end)}


def plain(given_pairs: list[tuple[int, int]]) -> set[int]:
    return {byte for start, end in given_pairs for byte in range(start, end)}


@given(pairs, pairs)
def test_two_sets(a: list[tuple[int, int]], b: list[tuple[int, int]]) -> None:
    one, other = Ranges(a), Ranges(b)
    assert members(one) == plain(a)
    assert members(one | other) == plain(a) | plain(b)
    assert members(one & other) == plain(a) & plain(b)
    assert members(one - other) == plain(a) - plain(b)
    assert (one == other) == (plain(a) == plain(b))
    if one == other:
        assert hash(one) == hash(other)


@given(pairs, numbers, numbers)
def test_a_set_and_a_range(a: list[tuple[int, int]], one: int, other: int) -> None:
    start, end = min(one, other), max(one, other)
    found, bytes_of = Ranges(a), plain(a)
    inside = set(range(start, end))
    assert plain(list(found.within(start, end))) == bytes_of & inside
    assert members(found.clipped(start, end)) == bytes_of & inside
    assert members(found.inverted(start, end)) == inside - bytes_of
    assert found.covers(start, end) == (inside <= bytes_of)
    assert found.touches(start, end) == bool(inside & bytes_of)
    assert members(found.shifted(start)) == {byte + start for byte in bytes_of}
    assert found.total == len(bytes_of)
    assert found.end == max(bytes_of, default=-1) + 1
    assert bool(found) == bool(bytes_of)


@given(pairs, st.lists(numbers, max_size=4))
def test_sets_that_follow_each_other(a: list[tuple[int, int]], cuts: list[int]) -> None:
    found = Ranges(a)
    edges = [0, *sorted(cuts), MOST]
    pieces = [found.clipped(start, end) for start, end in pairwise(edges)]
    assert Ranges.joined(pieces) == found
    assert Ranges.joined(Ranges(list(piece)) for piece in pieces) == found
    if len([piece for piece in pieces if piece]) > 1:
        with pytest.raises(ValueError, match="out of order"):
            Ranges.joined(reversed(pieces))


@given(pairs, st.integers(20, 60))
def test_a_few_taken_from_many(a: list[tuple[int, int]], count: int) -> None:
    many = Ranges((3 * n, 3 * n + 2) for n in range(count))
    assert members(many - Ranges(a[:1])) == members(many) - plain(a[:1])
    assert members(many - Ranges(a)) == members(many) - plain(a)


@given(pairs)
def test_ascending_takes_what_is_in_order_and_refuses_the_rest(a: list[tuple[int, int]]) -> None:
    assert Ranges.ascending(sorted(a)) == Ranges(a)
    solid = [(start, end) for start, end in a if start < end]
    # It may also merge what is out of order within the range before; what it takes, it takes rightly.
    try:
        found = Ranges.ascending(solid)
    except ValueError:
        assert solid != sorted(solid)
    else:
        assert members(found) == plain(solid)


@pytest.mark.parametrize("pair", [(5, 4), (-1, 3)])
def test_what_is_no_range(pair: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="not a range"):
        Ranges([pair])
    with pytest.raises(ValueError, match="not a range"):
        Ranges.ascending([pair])


@given(pairs, pairs, st.integers(MOST, MOST + 20), st.integers(1, 17))
def test_cells(a: list[tuple[int, int]], b: list[tuple[int, int]], size: int, cell: int) -> None:
    data, zero = plain(a), plain(b)
    expected = []
    for start in range(0, size, cell):
        inside = set(range(start, min(start + cell, size)))
        if inside & (data | zero):
            expected.append((start, min(start + cell, size), bool(inside & data)))
    assert list(cells(Ranges(a), Ranges(b), size, cell)) == expected
