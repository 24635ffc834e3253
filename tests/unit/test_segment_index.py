"""The index of segments, against a dictionary."""

from __future__ import annotations

import random

import pytest

from backupctl.domain.segments import Place
from backupctl.share.index import SegmentIndex


@pytest.mark.parametrize("length", [16, 32])
def test_it_finds_what_was_added(length: int) -> None:
    chance = random.Random(length)
    index = SegmentIndex(length, with_places=True)
    known: dict[bytes, tuple[int, Place | None]] = {}
    tails = [chance.randbytes(8) for _ in range(3000)]  # what slots are chosen by: many share it
    for step in range(12_000):
        hash = chance.randbytes(length - 8) + chance.choice(tails)
        if step % 3 == 0 and known:
            hash = chance.choice(list(known)) if step % 300 == 0 else hash
        place = Place(f"{step % 7:020x}", 512 * step, 512, length) if step % 2 else None
        number = index.add(hash, place.part if place else "", place=place)
        assert number == known.get(hash, (len(known), None))[0]
        known[hash] = (number, place or known.get(hash, (0, None))[1])
    assert len(index) == len(known)
    for hash, (number, place) in known.items():
        assert index.find(hash) == number
        assert index.hash_of(number) == hash
        assert index.place_of(number) == place
    assert index.find_each([*known, chance.randbytes(length)]) == [*(number for number, _ in known.values()), -1]
    stored = [(index.part_by_number(part), size) for part, size in index.stored_in()]
    assert stored == [(place.part, place.stored) if place else ("", 0) for _, place in known.values()]
    assert all(index.find(chance.randbytes(length)) == -1 for _ in range(1000))
    index.close()
