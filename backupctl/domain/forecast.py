"""What a policy will cost: a shelf's future, simulated again and again, and what lies between the runs."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, isqrt
from statistics import median

from backupctl.domain.keeping import Keeping, keep
from backupctl.domain.policy import RetentionPolicy, SpacePolicy
from backupctl.domain.resampling import Chance, Night, Past, smaller_sample
from backupctl.domain.retention import Circumstances, Tier
from backupctl.domain.simulation import Run, ShelfThere, simulate

CHANGES_A_RUN = 10_000  # in the sample: about a tenth of a second
_LEAST_CHANGES = 100  # of all nights together, if they have so many: fewer do not stand for the rest
_LONGER = 10  # times as long, at most, as a run takes for the sake of that
NINE_IN_TEN = 19  # runs: of n, one more lies from the lowest to the highest with (n - 1) / (n + 1)
_FEW = 4
_MANY_CAPTURES = 3000  # to come: what is kept of them takes long to work out
_YEAR, _LONGEST_DAYS = 366, 3700
_MOST_LOOKS = 2_000_000  # at a capture that is kept, night by night: some ten seconds
_STRENGTH = {tier: number for number, tier in enumerate(Tier)}


@dataclass(frozen=True)
class Forecast:
    """Bytes of a whole shelf after each night to come: in the middle run, and between which 90 of 100 lie; of fewer
    than `NINE_IN_TEN` runs, from the lowest to the highest.

    `written`, `moved`: bytes by captures, and by rewriting parts, in all nights of the middle run.
    """

    keeping: Keeping
    low: tuple[int, ...]
    median: tuple[int, ...]
    high: tuple[int, ...]
    written: int
    moved: int
    middle: Run
    runs: int  # that the spread is seen in

    def by_tier(self, night: int) -> dict[Tier, int]:
        """Bytes of segments after a night of the middle run, by the strongest reason of the captures that hold them."""
        kept = self.keeping.kept[night]
        positions = [position for position, _ in kept]
        found: Counter[Tier] = Counter()
        for (first, last), stored in self.middle.held.items():
            holders = kept[bisect_left(positions, first) : bisect_right(positions, last)]
            if holders:
                found[min((tier for _, tier in holders), key=_STRENGTH.__getitem__)] += stored
        return dict(found)


def nights_to_come(last: datetime, interval: timedelta, days: int) -> list[datetime]:
    """When captures will be taken in the next days, one each `interval` after the last."""
    return [last + n * interval for n in range(1, ceil(timedelta(days=days) / interval) + 1)]


def days_until_filled(policy: RetentionPolicy, interval: timedelta) -> int:
    """Days until a board that is captured each `interval` has reached every period that a policy counts."""
    every = max(1.0, interval / timedelta(days=1))
    counted = max(
        policy.daily * every, policy.weekly * max(7, every), policy.monthly * max(31, every),
        policy.yearly * max(366, every), policy.newest * (interval / timedelta(days=1)), policy.everything_for / 86_400,
    )  # fmt: skip
    return max(_YEAR, ceil(counted) + 62)


def days_until_steady(policy: RetentionPolicy, interval: timedelta) -> int:
    """As `days_until_filled`, but at most ten years, and fewer (a year at least) where very many captures are kept."""
    kept = policy.daily + policy.weekly + policy.monthly + policy.yearly + policy.newest
    nights = max(_MOST_LOOKS // max(1, kept), isqrt(2 * _MOST_LOOKS))  # no more are kept than there were nights
    most = min(_LONGEST_DAYS, max(_YEAR, int(nights * (interval / timedelta(days=1)))))
    return min(days_until_filled(policy, interval), most)


def sample_for(nights: Sequence[Night], to_come: int) -> int:
    """One cell in how many is enough for a run of so many nights to come."""
    same = smaller_sample(nights)
    one_in, cells = same[0].changes.one_in, _cells(same)
    enough = ceil(one_in * cells * to_come / (len(nights) * CHANGES_A_RUN))
    return max(one_in, ceil(enough / _LONGER), min(enough, one_in * cells // _LEAST_CHANGES))


def runs_for(nights: Sequence[Night], to_come: int, most: int) -> int:
    """How many runs there is time for: `most`, unless each takes longer than is usual, or there are many to come."""
    if to_come >= _MANY_CAPTURES:
        return _FEW
    changes = _cells(nights) * to_come / len(nights)
    return max(_FEW, min(most, int(most * CHANGES_A_RUN / max(1, changes))))


def _cells(nights: Iterable[Night]) -> int:
    changes = [night.changes for night in nights]
    return sum(len(change.written) + len(change.appeared) + len(change.freed) for change in changes)


def forecast(
    shelf: ShelfThere,
    nights: Sequence[Night],
    retention: RetentionPolicy,
    space: SpacePolicy,
    times: Sequence[datetime],
    today: Circumstances,
    chances: Iterable[Chance],
) -> Forecast:
    """A run that doubts for each of `chances`, which decide what is drawn, and one that does not for every other.

    `nights`: those that the board had, at least one, by the same sample as `shelf`; `times`: of captures to come.
    """
    keeping = keep(retention, shelf.captures, times, today)
    past = Past(nights)
    runs, doubting = [], []
    for number, chance in enumerate(chances):
        if number % 2 == 0:
            runs.append(simulate(shelf, past, keeping, space, chance))
        doubting.append(simulate(shelf, past, keeping, space, chance, doubt=True))
    low, middle, high = [], [], []
    outside = max(0, (len(doubting) + 1) // 20 - 1)  # on each side: of n, the next lies below the kth with k / (n + 1)
    for night in range(len(times)):
        middle.append(int(median(run.total[night] for run in runs)))
        # Weeks that are drawn twice have more in common than weeks have: only the spread of these runs is believed.
        spread = sorted(run.total[night] for run in doubting)
        scale = middle[-1] / median(spread)
        low.append(int(spread[outside] * scale))
        high.append(int(spread[-1 - outside] * scale))
    return Forecast(
        keeping, tuple(low), tuple(middle), tuple(high),
        int(median(run.written for run in runs)), int(median(run.moved for run in runs)),
        sorted(runs, key=lambda run: run.total[-1])[len(runs) // 2], len(doubting),
    )  # fmt: skip
