"""How stored bytes are shared out among captures and tiers, against the rule written down with sets."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest

from backupctl.operations.keeping.cost import ALONE, BETWEEN, DEAD, WITHIN, StoredBytes
from backupctl.operations.keeping.survey import survey
from backupctl.share.captures import Captures
from tests.small_stock import HASHING, SmallStock, capture_name, part_of, segment

SEGMENTS = 20


def random_stock(folder: Path, chance: random.Random) -> SmallStock:
    """A shelf with nothing damaged, and some segments in several parts."""
    stock = SmallStock(folder)
    for number in range(chance.randint(1, 5)):
        stock.add_part(part_of(number), chance.sample(range(SEGMENTS), chance.randint(0, 8)), chance.choice([None, 3]))
    there = sorted({number for rows in stock.parts.values() for number, _ in rows})
    for number in range(chance.randint(1, 7)):
        holds = [at for at in there if chance.random() < 0.5]
        stock.add_capture(capture_name(number), holds)
    return stock


@pytest.mark.parametrize("seed", range(100))
def test_each_stored_segment_is_in_one_class(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    stock = random_stock(tmp_path, chance)
    tier_of = {capture: chance.choice(["daily", "weekly", "monthly"]) for capture in stock.held}
    found = survey(stock.shelf, stock.history, Captures((), ()), lambda text: None)
    found.spans.index.close()
    shared = StoredBytes(found, [tier_of[capture] for capture in found.spans.captures])

    classes: dict[str, Counter[str]] = {part: Counter() for part in stock.parts}
    alone: Counter[str] = Counter()
    by_tier: Counter[str] = Counter()
    whole: Counter[str] = Counter()
    needing: dict[str, set[frozenset[str]]] = {part: set() for part in stock.parts}
    for part, rows in stock.parts.items():
        for number, stored in rows:
            place = found.place(HASHING.of(segment(number)))
            holders = frozenset(capture for capture, holds in stock.held.items() if number in holds)
            if place is None or place.part != part:
                classes[part][DEAD] += stored
                continue
            tiers = {tier_of[capture] for capture in holders}
            kind = ALONE if len(holders) == 1 else WITHIN if len(tiers) == 1 else BETWEEN
            classes[part][kind] += stored
            needing[part].add(holders)
            for capture in holders:
                whole[capture] += stored
                alone[capture] += stored * (len(holders) == 1)
            by_tier.update({tier: stored for tier in tiers if len(tiers) == 1})
    freed: Counter[str] = Counter()
    for part, sets in needing.items():
        if len(sets) == 1 and len(min(sets)) == 1:
            size = sum((tmp_path / "stock" / name).stat().st_size for name in (f"{part}.zst", f"{part}.table.zst"))
            freed[next(iter(min(sets)))] += size

    assert {part: +counts for part, counts in shared.classes.items()} == {p: +counts for p, counts in classes.items()}
    assert +shared.alone == +alone
    assert +shared.by_tier == +by_tier
    assert +shared.whole == +whole
    assert +shared.freed == +freed
