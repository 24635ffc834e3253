"""Where partitions go on a card of another size, for any card: nothing overlaps, nothing is lost."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Refused
from backupctl.domain.fitting import RESIZABLE, STEP, Piece, fit

SECTOR = 512
KINDS = st.sampled_from(["ext4", "ext2", "fat32", "swap", "unknown", "xfs"])


@st.composite
def cards(draw: st.DrawFn) -> list[Piece]:
    pieces, at = [], draw(st.integers(1, 4096)) * SECTOR
    for number in range(1, draw(st.integers(1, 6)) + 1):
        length = draw(st.integers(1, 1 << 16)) * SECTOR
        pieces.append(Piece(number, draw(KINDS), at, at + length))
        at += length + draw(st.integers(0, 4096)) * SECTOR
    return pieces


@given(cards(), st.integers(1, 1 << 19), st.booleans())
def test_what_comes_out_can_be_written(pieces: list[Piece], sectors: int, fill: bool) -> None:
    end = sectors * SECTOR
    last = max(piece.end for piece in pieces)
    try:
        fitted = fit(pieces, None, end, fill)
    except Refused:
        assert last > end  # whatever fits as it is, is never refused
        return
    places = sorted(fitted.places.values())
    assert len(places) == len(pieces)
    assert all(start < stop for start, stop in places)
    assert all(one[1] <= other[0] for one, other in pairwise(places))
    assert places[-1][1] <= end
    for piece in pieces:
        start, stop = fitted.places[piece.number]
        if fitted.resized is None or piece.start < fitted.resized.start:
            assert (start, stop) == (piece.start, piece.end)
        elif piece == fitted.resized:
            assert piece.kind in RESIZABLE and start == piece.start
        else:
            assert piece.kind == "swap" and stop - start == piece.end - piece.start
            assert (start - piece.start) % STEP == 0
    if fitted.resized:
        assert end - places[-1][1] < STEP  # what does not fill the card is less than a step
        assert fill or last > end


def test_an_extended_partition_goes_along() -> None:
    """The layout of an installer: the root, then swap in an extended partition; then the root within one."""
    mib = 1 << 20
    pieces = [Piece(1, "ext4", mib, 100 * mib), Piece(5, "swap", 101 * mib, 110 * mib)]
    grown = fit(pieces, (100 * mib, 110 * mib), 150 * mib, fill=True)
    assert grown.places == {1: (mib, 140 * mib), 5: (141 * mib, 150 * mib)}
    assert grown.container == (140 * mib, 150 * mib)
    inside = [Piece(5, "ext4", 11 * mib, 50 * mib), Piece(6, "swap", 51 * mib, 60 * mib)]
    shrunk = fit(inside, (10 * mib, 64 * mib), 40 * mib, fill=False)
    assert shrunk.places == {5: (11 * mib, 30 * mib), 6: (31 * mib, 40 * mib)}
    assert shrunk.container == (10 * mib, 40 * mib)
    with pytest.raises(Refused, match="no room for it at all"):
        fit(inside, (10 * mib, 64 * mib), 20 * mib, fill=False)
