"""A forecast on boards that are so simple that the answer can be worked out by hand."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from backupctl.domain.changes import Changes
from backupctl.domain.forecast import (
    Forecast,
    days_until_filled,
    days_until_steady,
    forecast,
    nights_to_come,
    runs_for,
    sample_for,
)
from backupctl.domain.keeping import keep
from backupctl.domain.policy import RetentionPolicy, SpacePolicy
from backupctl.domain.resampling import Chance, Night, smaller_sample
from backupctl.domain.retention import Candidate, Circumstances, Tier
from backupctl.domain.simulation import Current, Older, PartThere, ShelfThere
from backupctl.domain.stock import Part, Stock

CELL = 1024
COLD, HOT = 1000, 20
LAST = datetime(2026, 3, 1, 2, tzinfo=UTC)  # a Sunday (cal 3 2026)
A_DAY = timedelta(days=1)
TODAY = Circumstances(LAST, UTC)
NO_RENEWAL = SpacePolicy(renew_after=0)
DAYS_ONLY = RetentionPolicy(daily=7, weekly=0, monthly=0, yearly=0, everything_for=0)


def capture(number: int, at: datetime) -> Candidate:
    return Candidate(f"c{number}", number, at, True, "image of card 1", "good")


def night(days_ago: int, written: Iterable[int], appeared: Iterable[int] = (), freed: Iterable[int] = ()) -> Night:
    new = dict.fromkeys(written, CELL), dict.fromkeys(appeared, CELL)
    stored = sum(map(len, new)) * CELL
    return Night(LAST - days_ago * A_DAY, Changes("before", 1, stored, *new, frozenset(freed)))


def chances(runs: int) -> list[Chance]:
    return [random.Random(run).random for run in range(runs)]


def shelf() -> ShelfThere:
    """One capture, in one part."""
    current = {cell: Current(0, 0, CELL) for cell in range(COLD + HOT)}
    part = PartThere((COLD + HOT) * CELL, 0)
    return ShelfThere((capture(1, LAST),), (part,), (), current, 0, 0, 0, 0)


def ahead(nights: list[Night], policy: RetentionPolicy, days: int, space: SpacePolicy = NO_RENEWAL) -> Forecast:
    return forecast(shelf(), nights, policy, space, nights_to_come(LAST, A_DAY, days), TODAY, chances(5))


SAME_CELLS = [night(ago, range(HOT)) for ago in range(28)]


def test_where_the_same_cells_change_every_night_each_capture_costs_just_these() -> None:
    found = ahead(SAME_CELLS, DAYS_ONLY, 60)
    held = found.by_tier(59)
    assert sum(held.values()) == (COLD + 7 * HOT) * CELL
    # Beside what is held: two nights' parts in the trash, nine heads of parts (512 bytes each), and what is dead in the
    # first part, since its cells that change are fewer than 60 % of it.
    assert found.median[59] == (COLD + HOT + 9 * HOT) * CELL + 9 * 512
    assert found.low == found.median == found.high
    assert found.moved == 0


def test_where_other_cells_change_every_night_a_capture_costs_all_since_the_one_before() -> None:
    elsewhere = [night(ago, range(30 * ago, 30 * ago + 30)) for ago in range(28)]
    weeks = RetentionPolicy(daily=0, weekly=4, monthly=0, yearly=0, everything_for=0, minimum=0)
    found = ahead(elsewhere, weeks, 70)
    # Between one and the next of four captures lie 7 x 30 changed cells, of which few are the same.
    last = found.keeping.kept[69]
    assert len(last) == 4
    assert sum(found.by_tier(69).values()) / CELL == pytest.approx(COLD + HOT + 3 * 7 * 30, rel=0.1)


def test_what_comes_and_never_goes_adds_up() -> None:
    growing = [night(ago, (), appeared=[5000 + 3 * ago + n for n in range(3)]) for ago in range(28)]
    found = ahead(growing, DAYS_ONLY, 100)
    assert sum(found.by_tier(99).values()) == (COLD + HOT + 300) * CELL
    leaving = [night(ago, (), freed=[3 * ago + n for n in range(3)]) for ago in range(28)]
    found = ahead(leaving, DAYS_ONLY, 100)
    assert sum(found.by_tier(99).values()) == (COLD + HOT - 300 + 3 * 6) * CELL  # the oldest capture lacks six nights'


def test_a_card_that_is_full_grows_no_more() -> None:
    growing = [night(ago, (), appeared=[5000 + 3 * ago + n for n in range(3)]) for ago in range(28)]
    small = replace(shelf(), most_cells=COLD + HOT + 60)
    found = forecast(small, growing, DAYS_ONLY, NO_RENEWAL, nights_to_come(LAST, A_DAY, 100), TODAY, chances(5))
    # The card is full after twenty nights; then three cells change in a night, as in the first test.
    assert sum(found.by_tier(99).values()) == (COLD + HOT + 60 + 3 * 6) * CELL


def test_a_weekly_change_comes_weekly() -> None:
    sundays = [night(ago, range(100) if ago % 7 == 0 else ()) for ago in range(28, -1, -1)]
    found = ahead(sundays, replace(DAYS_ONLY, daily=400), 28)
    grown = [later - earlier for earlier, later in zip(found.median, found.median[1:], strict=False)]
    # The first night to come is a Monday, so that number 6 is a Sunday.
    assert [number + 1 for number, bytes in enumerate(grown) if bytes > 50 * CELL] == [6, 13, 20, 27]


def test_the_band_grows_with_what_is_not_known() -> None:
    seldom = [night(ago, range(200) if ago == 10 else range(5)) for ago in range(60)]
    found = forecast(
        shelf(), seldom, RetentionPolicy(), NO_RENEWAL, nights_to_come(LAST, A_DAY, 365), TODAY, chances(20)
    )
    assert found.low[-1] < found.median[-1] < found.high[-1]
    assert found.high[-1] - found.low[-1] > found.high[30] - found.low[30]
    assert found.low[0] <= found.median[0] <= found.high[0]


def test_the_same_question_has_the_same_answer() -> None:
    nights = [night(ago, range(ago, ago + 25)) for ago in range(40)]
    assert ahead(nights, RetentionPolicy(), 90) == ahead(nights, RetentionPolicy(), 90)


def test_keeping_more_never_costs_less() -> None:
    nights = [night(ago, range(ago, ago + 25)) for ago in range(40)]
    less, more = (ahead(nights, RetentionPolicy(daily=daily), 200) for daily in (7, 21))
    assert sum(more.by_tier(199).values()) > sum(less.by_tier(199).values())


def test_a_policy_keeps_in_the_simulation_what_it_keeps() -> None:
    times = nights_to_come(LAST, A_DAY, 400)
    found = keep(RetentionPolicy(), [capture(1, LAST)], times, TODAY)
    # On Sun 4 Apr 2027: 7 days, among them two Sundays, of which weeks and months ask three, eleven and two more.
    kept = [times[position - 1] for position, _ in found.kept[398]]
    assert times[398] == datetime(2027, 4, 4, 2, tzinfo=UTC)
    assert f"{kept[-1]:%a %d %b}" == "Sun 04 Apr"
    assert [f"{at:%d %b}" for at in kept[-7:]] == [f"{d} {m}" for d, m in (
        ("29", "Mar"), ("30", "Mar"), ("31", "Mar"), ("01", "Apr"), ("02", "Apr"), ("03", "Apr"), ("04", "Apr"))
    ]  # fmt: skip
    assert [f"{at:%d %b}" for at in kept[-10:-7]] == ["14 Mar", "21 Mar", "28 Mar"]
    assert [f"{at:%d %b}" for at in kept[:-10]] == [
        "31 May", "30 Jun", "31 Jul", "31 Aug", "30 Sep", "31 Oct", "30 Nov", "31 Dec", "31 Jan", "28 Feb",
    ]  # fmt: skip
    assert found.end_of(0, 3) == max(found.gone[:4])
    tiers = dict(found.kept[398])
    assert tiers[times.index(datetime(2026, 12, 31, 2, tzinfo=UTC)) + 1] is Tier.YEARLY


def test_what_older_captures_hold_goes_with_the_last_of_them() -> None:
    there = replace(
        shelf(),
        captures=(capture(1, LAST - 2 * A_DAY), capture(2, LAST - A_DAY), capture(3, LAST)),
        parts=(PartThere((COLD + HOT) * CELL, 2), PartThere(50 * CELL, 2)),
        older=(Older(1, ((0, 1),), 30 * CELL), Older(1, ((0, 2),), 20 * CELL)),
    )
    nothing = [night(ago, ()) for ago in range(28)]
    two_days = replace(DAYS_ONLY, daily=2, minimum=0)
    found = forecast(there, nothing, two_days, NO_RENEWAL, nights_to_come(LAST, A_DAY, 6), TODAY, chances(2))
    # Night 0: captures 1 and 2 go; their part is dead, and two nights later it is gone.
    whole = (COLD + HOT) * CELL
    assert [total - whole for total in found.median] == [50 * CELL, 50 * CELL, 0, 0, 0, 0]


def test_a_part_is_moved_once_it_is_mostly_dead() -> None:
    part = Part(0, stored=1000)
    group = part.group(0)
    part.living = 1000
    stock = Stock(replace(NO_RENEWAL, rewrite_dead=60, rewrite_traffic=1000), [part])
    stock.settle(0)
    stock.bury(group, 599)
    stock.settle(1)
    assert (stock.stored, stock.moved) == (1000, 0)
    stock.bury(group, 1)
    stock.settle(2)
    assert (stock.stored, stock.moved) == (1000 + 512 + 400, 400)
    for number in (3, 4, 5):
        stock.settle(number)
    assert stock.stored == 912  # confirmed the night after, two nights in the trash
    stock.bury(group, 400)
    for number in (6, 7, 8):
        stock.settle(number)
    assert stock.stored == 0


def test_no_more_is_moved_in_a_night_than_the_policy_allows() -> None:
    parts = [Part(0, stored=1000, living=300), Part(0, stored=1000, living=200)]
    stock = Stock(replace(NO_RENEWAL, rewrite_traffic=350), parts)
    stock.settle(0)
    assert stock.moved == 200
    stock.settle(1)
    assert stock.moved == 500


def test_old_segments_are_written_anew() -> None:
    nothing = [night(ago, ()) for ago in range(28)]
    found = ahead(nothing, DAYS_ONLY, 149, SpacePolicy(renew_after=100 * 86_400, renew_traffic=20 * CELL))
    everything = (COLD + HOT) * CELL
    assert found.median[70] == everything  # from three quarters of the age on
    # Once 60 % have been written anew, the rest is moved, and so is young again.
    assert found.written == pytest.approx(0.62 * everything, rel=0.05)
    assert max(found.median) > 1.3 * everything  # dead copies beside, until their part is mostly dead
    assert found.moved == pytest.approx(0.39 * everything, rel=0.05)


def test_periods_of_a_policy_say_how_long_until_nothing_changes_any_more() -> None:
    assert days_until_steady(DAYS_ONLY, A_DAY) == 366
    assert 3 * 366 < days_until_steady(RetentionPolicy(), A_DAY) < 3.5 * 366
    # A board that is captured weekly has seven days with a capture after seven weeks; the newest count all the same.
    assert days_until_filled(replace(DAYS_ONLY, daily=100), 7 * A_DAY) >= 700
    assert days_until_filled(replace(DAYS_ONLY, newest=900), A_DAY / 2) == 450 + 62


def test_what_would_take_too_long_is_not_simulated_to_its_end() -> None:
    for policy in (RetentionPolicy(yearly=100), RetentionPolicy(daily=1000, weekly=1000, monthly=1000, yearly=100)):
        assert 366 <= days_until_steady(policy, A_DAY) < 11 * 366 < days_until_filled(policy, A_DAY)
    # Each night each capture that is kept is looked at: a million looks take six seconds.
    found = days_until_steady(replace(DAYS_ONLY, daily=1000, weekly=1000), A_DAY)
    assert sum(min(night, 2000) for night in range(found)) <= 2_000_000


def test_a_long_question_takes_a_smaller_sample() -> None:
    busy = [night(ago, range(400)) for ago in range(28)]
    assert sample_for(SAME_CELLS, 365) == 1
    assert sample_for(busy, 365) < sample_for(busy, 3650)


def counts(nights: list[Night]) -> tuple[int, int, int]:
    changes = [night.changes for night in nights]
    return (
        sum(len(c.written) for c in changes),
        sum(len(c.appeared) for c in changes),
        sum(len(c.freed) for c in changes),
    )


@pytest.mark.parametrize("one_in", [1, 2, 3, 7, 20, 100])
def test_by_a_smaller_sample_as_many_cells_come_and_go(one_in: int) -> None:
    chance = random.Random(one_in)
    nights = [
        night(ago, chance.sample(range(1000), 9), chance.sample(range(1000, 2000), 5), chance.sample(range(1000), 5))
        for ago in range(50)
    ]
    assert counts(smaller_sample(nights, one_in)) == pytest.approx((450 / one_in, 250 / one_in, 250 / one_in), abs=0.5)


def test_by_a_smaller_sample_cells_that_always_change_still_do() -> None:
    chance = random.Random(1)
    nights = [night(ago, {*range(100), *chance.sample(range(100, 10_000), 200)}) for ago in range(50)]
    seen = Counter(cell for n in smaller_sample(nights, 10) for cell in n.changes.written if cell < 100)
    assert 5 <= sum(times >= 45 for times in seen.values()) <= 15
    assert sum(times for times in seen.values() if times < 45) <= 0.25 * sum(seen.values())


def test_nights_of_a_card_that_grew_have_one_sample() -> None:
    nights = [night(2, range(400)), night(1, range(400))]
    coarse = replace(nights[1], changes=replace(nights[1].changes, one_in=4).sampled(4))
    first, second = smaller_sample([nights[0], coarse])
    assert first.changes.written == second.changes.written == coarse.changes.written
    assert first.changes.one_in == second.changes.one_in == 4


def test_what_a_single_night_of_a_small_card_says_does_not_depend_on_how_far_one_looks() -> None:
    one = [night(0, range(27), range(2000, 2025), range(500, 525))]
    assert sample_for(one, 366) == sample_for(one, 3 * 366) == 1  # of 77 cells, fewer would stand for nothing
    year, longer = (
        forecast(shelf(), one, DAYS_ONLY, NO_RENEWAL, nights_to_come(LAST, A_DAY, days), TODAY, chances(2))
        for days in (366, 2 * 366)
    )
    assert longer.median[365] == pytest.approx(year.median[365], rel=0.05)
    assert longer.median[-1] == pytest.approx(year.median[-1], rel=0.1)


def test_a_run_that_takes_longer_is_made_less_often() -> None:
    assert runs_for([night(0, range(27))], 366, 19) == 19
    assert runs_for([night(0, range(60))], 366, 19) == 8  # each has 22 000 changes
    assert runs_for([night(0, range(60))], 3660, 19) == 4


def test_no_run_takes_more_than_ten_times_as_long_for_the_sake_of_a_single_night() -> None:
    for cells in (99, 150, 199, 1000, 20_000):
        one = [night(0, range(cells))]
        for days in (366, 1200, 3700):
            one_in = sample_for(one, days)
            assert cells / one_in * days <= 100_000
