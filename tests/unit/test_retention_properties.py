"""What holds for every history: captures with gaps, several a day, partial and damaged ones, clocks astray."""

from __future__ import annotations

import random
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Plan, plan
from tests.unit.shelf_of_nights import CARD, OTHER_CARD

ZONES = [ZoneInfo(name) for name in ("Europe/Berlin", "America/New_York", "Pacific/Auckland", "Asia/Kathmandu")]
SEEDS = range(10)


def some_policy(chance: random.Random) -> RetentionPolicy:
    return RetentionPolicy(
        daily=chance.choice((0, 1, 3, 7, 14)),
        weekly=chance.choice((0, 2, 4, 8)),
        monthly=chance.choice((0, 3, 12)),
        yearly=chance.choice((0, 1, 3)),
        newest=chance.choice((0, 0, 5)),
        everything_for=chance.choice((0, 36, 72)) * 3600,
        minimum=chance.choice((1, 3, 6)),
    )


def some_history(chance: random.Random, nights: int) -> list[Candidate]:
    """As a shelf gets them. Clocks are some minutes off, or not trusted: then the time is the last certain one."""
    at = datetime(2024, 2, 20, 2, 30, tzinfo=UTC)
    last_certain = at
    captures: list[Candidate] = []
    for _ in range(nights):
        at += timedelta(days=chance.choices((1, 2, 9, 40), (90, 7, 2, 1))[0])
        for hour in range(chance.choices((1, 2, 5), (88, 8, 4))[0]):
            number = len(captures)
            trusted = chance.random() > 0.06
            said = at + timedelta(hours=3 * hour, minutes=chance.randrange(-25, 25))
            last_certain = max(last_certain, said) if trusted else last_certain
            captures.append(
                Candidate(
                    f"{chance.randrange(1 << 24):06x}-{number}",
                    number,
                    said if trusted else last_certain,
                    trusted,
                    OTHER_CARD if chance.random() < 0.1 else CARD,
                    chance.choices(("good", "partial", "damaged"), (90, 7, 3))[0],
                    "by hand" if chance.random() < 0.01 else None,
                    verified=chance.random() < 0.1,
                    drilled=chance.random() < 0.03,
                )
            )
    return captures


def decide(captures: list[Candidate], policy: RetentionPolicy, seed: int, now: datetime | None = None) -> Plan:
    zone = ZONES[seed % len(ZONES)]
    return plan(captures, policy, Circumstances(now or max(capture.at for capture in captures), zone))


def stays(captures: list[Candidate], decided: Plan) -> list[Candidate]:
    gone = set(decided.goes)
    return [capture for capture in captures if capture.id not in gone]


@pytest.mark.parametrize("seed", SEEDS)
def test_thinning_twice_removes_nothing_more(seed: int) -> None:
    chance = random.Random(seed)
    captures, policy = some_history(chance, 400), some_policy(chance)
    first = decide(captures, policy, seed)
    left = stays(captures, first)
    again = decide(left, policy, seed, now=max(capture.at for capture in captures))
    assert again.goes == ()
    # And for the same reasons.
    assert again.verdicts == tuple(verdict for verdict in first.verdicts if verdict.stays)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_later_thinning_wants_what_an_earlier_one_removed(seed: int) -> None:
    """Thinned after each capture, a shelf holds what the policy would keep if nothing had ever been removed."""
    chance = random.Random(seed)
    captures, policy = some_history(chance, 500), some_policy(chance)
    there: list[Candidate] = []
    now = captures[0].at
    for number, capture in enumerate(captures):
        there.append(capture)
        now = max(now, capture.at)
        if chance.random() < 0.2:  # a night whose thinning did not happen
            continue
        there = stays(there, decide(there, policy, seed, now))
        if number % 23 == 0 or number > len(captures) - 40:
            of_all = stays(captures[: number + 1], decide(captures[: number + 1], policy, seed, now))
            assert there == of_all


COUNTS = [field.name for field in fields(RetentionPolicy) if field.name != "max_removals"]


@pytest.mark.parametrize("seed", SEEDS)
def test_keeping_more_never_removes_more(seed: int) -> None:
    chance = random.Random(seed)
    captures, policy = some_history(chance, 300), some_policy(chance)
    for name in COUNTS:
        more = replace(policy, **{name: getattr(policy, name) * 2 + 1})
        assert set(decide(captures, more, seed).goes) <= set(decide(captures, policy, seed).goes), name


@pytest.mark.parametrize("seed", SEEDS)
def test_what_always_stays(seed: int) -> None:
    chance = random.Random(seed)
    captures, policy = some_history(chance, 300), some_policy(chance)
    left = stays(captures, decide(captures, policy, seed))
    for lane in (CARD, OTHER_CARD):
        ours = [capture for capture in captures if capture.lane == lane]
        good = [capture for capture in ours if capture.state == "good"]
        assert good[-1] in left
        assert [capture for capture in good if capture.verified][-1] in left
        assert set(good[-policy.minimum :]) <= set(left)
    assert {capture for capture in captures if capture.guard} <= set(left)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_what_is_given_does_not_matter(seed: int) -> None:
    chance = random.Random(seed)
    captures, policy = some_history(chance, 200), some_policy(chance)
    expected = decide(captures, policy, seed)
    assert [verdict.id for verdict in expected.verdicts] == [capture.id for capture in captures]
    for _ in range(5):
        chance.shuffle(captures)
        assert decide(captures, policy, seed) == expected


@pytest.mark.parametrize("seed", SEEDS)
def test_each_capture_has_one_verdict_with_a_reason(seed: int) -> None:
    chance = random.Random(seed)
    captures, policy = some_history(chance, 200), some_policy(chance)
    decided = decide(captures, policy, seed)
    assert all(verdict.reasons and all(verdict.reasons) for verdict in decided.verdicts)
    assert all((verdict.tier == "goes") != verdict.stays for verdict in decided.verdicts)


@pytest.mark.parametrize("seed", SEEDS)
def test_as_many_periods_as_the_policy_says_have_somebody(seed: int) -> None:
    """Counted once more, by the library's own calendar: of good captures under a trusted clock, in each lane."""
    chance = random.Random(seed)
    captures, policy = some_history(chance, 500), some_policy(chance)
    zone = ZONES[seed % len(ZONES)]
    left = stays(captures, decide(captures, policy, seed))
    for lane in (CARD, OTHER_CARD):
        ours = [c for c in captures if c.lane == lane and c.state == "good" and c.trusted]
        for form, count in (("%Y-%m-%d", policy.daily), ("%G-W%V", policy.weekly), ("%Y-%m", policy.monthly),
                            ("%Y", policy.yearly)):  # fmt: skip
            newest = {c.at.astimezone(zone).strftime(form): c for c in ours}  # the last of each stays in the dictionary
            by_sequence = sorted(newest.values(), key=lambda c: c.sequence)
            assert set(by_sequence[len(by_sequence) - min(count, len(by_sequence)) :]) <= set(left)
