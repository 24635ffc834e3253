"""What a survey says of randomly made shelves, against the rule written down once more with dictionaries and sets."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from backupctl.operations.keeping.survey import survey
from backupctl.share.captures import Captures
from tests.small_stock import HASHING, SmallStock, capture_name, part_of, segment

SEGMENTS = 14
NOTHING_KNOWN = Captures((), ())


def random_stock(folder: Path, seed: int) -> tuple[SmallStock, set[str]]:
    """A shelf, and those of its parts that have no table which can be read."""
    chance = random.Random(seed)
    stock = SmallStock(folder)
    for number in range(chance.randint(0, 5)):
        holds = chance.sample(range(SEGMENTS), chance.randint(0, 6))
        stock.add_part(part_of(number), holds, chance.choice([None, 10 + number, 30 - number]))
    for number in range(chance.randint(0, 5)):
        holds = chance.choices(range(SEGMENTS), k=chance.randint(0, 9))
        stock.add_capture(capture_name(number, chance.choice(["image", "files"])), holds)
    lost = set()
    for part, rows in stock.parts.items():
        if rows and chance.random() < 0.15:
            stock.cut_part(part, chance.randrange(len(rows)))
        for number, _ in rows:
            if chance.random() < 0.15:
                stock.damage_copy(part, number)
        if chance.random() < 0.1:
            stock.history.damaged_parts.add(part)
        if chance.random() < 0.3:
            chance.choice([stock.lose_table, stock.cut_table])(part)
            lost.add(part)
    return stock, lost


def owners(stock: SmallStock, lost: set[str], needed: set[int]) -> dict[int, str]:
    """By the head of `operations/keeping/survey.py`; a part without a table counts for what has no other copy.

    One that has been confirmed counts as well for what stands elsewhere only in parts that have not.
    """
    confirmed, damaged = stock.history.confirmed_parts, stock.history.damaged_copies
    found = {}
    for number in needed:
        copies = [part for part, rows in stock.parts.items() if number in {row for row, _ in rows}]
        hash = HASHING.of(segment(number)).hex()
        hurt = {part for part in copies if part in stock.history.damaged_parts or (part, hash) in damaged}
        with_table = {part for part in copies if part not in lost}
        searched = {part for part in copies if part in lost and part not in stock.history.damaged_parts}
        for choice in (
            {part for part in with_table - hurt if part in confirmed},
            {part for part in searched if part in confirmed},
            with_table - hurt,
            searched,
            with_table & hurt,
        ):
            if choice:
                found[number] = max(choice, key=lambda part: (confirmed.get(part, -1), part))
                break
    return found


@pytest.mark.parametrize("seed", range(150))
def test_parts_are_needed_as_the_rule_says(tmp_path: Path, seed: int) -> None:
    stock, lost = random_stock(tmp_path, seed)
    found = survey(stock.shelf, stock.history, NOTHING_KNOWN, lambda text: None)
    assert not found.unreadable
    assert set(found.spans.captures) == stock.held.keys()
    chance = random.Random(seed)
    gone = set(chance.sample(sorted(stock.held), chance.randint(0, len(stock.held))))
    everything = owners(stock, lost, set().union(*stock.held.values()))
    for without in (set(), gone):
        needed = set().union(*(holds for capture, holds in stock.held.items() if capture not in without))
        uses = found.without(without)
        assert uses.keys() == stock.parts.keys()
        for part, rows in stock.parts.items():
            live = [(number, stored) for number, stored in rows if number in needed and everything.get(number) == part]
            assert uses[part].live_segments == len(live), (part, without)
            assert uses[part].live_bytes == sum(stored for _, stored in live)
            assert uses[part].file.has_table == (part not in lost)
            missing = needed - everything.keys()
            assert uses[part].perhaps_needed == (part in lost and bool(missing))
    for number in range(SEGMENTS):
        place = found.place(HASHING.of(segment(number)))
        assert (place.part if place else None) == everything.get(number)
    found.spans.index.close()


@pytest.mark.parametrize("seed", range(60))
def test_runs_of_captures_are_those_that_hold_a_segment(tmp_path: Path, seed: int) -> None:
    stock, _ = random_stock(tmp_path, seed)
    spans = survey(stock.shelf, stock.history, NOTHING_KNOWN, lambda text: None).spans
    for number in range(SEGMENTS):
        holders = [capture for capture in spans.captures if number in stock.held[capture]]
        at = spans.index.find(HASHING.of(segment(number)))
        runs = spans.intervals(at) if at >= 0 else []
        assert [spans.captures[i] for start, end in runs for i in range(start, end)] == holders
        assert all(end < start for (_, end), (start, _) in pairwise(runs)), "as few runs as can be"
    spans.index.close()
