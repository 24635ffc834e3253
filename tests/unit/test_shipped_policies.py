"""The policies that come with the program: what they keep, when their nights are, and a reason for each value."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime, timedelta
from itertools import islice, pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from backupctl.cli.places import load_policy
from backupctl.cli.policies import drawn
from backupctl.domain.due import overdue_from
from backupctl.domain.policy import Policy, RetentionPolicy
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.operations.keeping.policies import explain

FOLDER = Path(__file__).parents[2] / "policies"
NAMES = sorted(path.stem for path in FOLDER.glob("*.toml"))
HOUR, DAY = 3600, 86_400

# As they were asked for; not named there is not kept.
KEPT = {
    "sensor": RetentionPolicy(newest=4, daily=0, weekly=4, monthly=6, yearly=0),
    "hub": RetentionPolicy(everything_for=36 * HOUR, daily=14, weekly=8, monthly=6, yearly=0),
    "hub-data": RetentionPolicy(everything_for=48 * HOUR, daily=14, weekly=4, monthly=0, yearly=0),
    "media": RetentionPolicy(daily=0, weekly=4, monthly=3, yearly=0),
    "kiosk": RetentionPolicy(newest=3, daily=0, weekly=0, monthly=3, yearly=0),
}
OVERDUE = {"sensor": 6 * DAY, "hub": 36 * HOUR, "hub-data": 20 * HOUR, "media": 9 * DAY, "kiosk": 9 * DAY}
DRILLS = {"sensor": "quarterly", "hub": "monthly", "hub-data": "never"}
# The nights of a week, Monday is 0.
NIGHTS = {"sensor": {2, 6}, "hub": set(range(7)), "hub-data": set(range(7)), "media": {0}, "kiosk": {6}}


def policy(name: str) -> Policy:
    return load_policy(str(FOLDER / f"{name}.toml"))


def test_which_there_are() -> None:
    assert set(NAMES) == {"standard", *KEPT}


@pytest.mark.parametrize("name", KEPT)
def test_what_was_asked_for(name: str) -> None:
    found = policy(name)
    assert found.retention == KEPT[name]
    assert found.schedule.overdue == OVERDUE[name]
    assert found.night.drill == DRILLS.get(name, Policy().night.drill)
    assert set(parse_calendar_event(found.schedule.when).weekdays) == NIGHTS[name]
    assert found.pace.rate == (20_000_000 if name == "media" else 0)
    assert bool(found.hooks.before) == (name == "hub")
    assert (found.capture.kind == "files", found.quiesce.sqlite) == (name == "hub-data", name == "hub-data")


def test_every_six_hours() -> None:
    event = parse_calendar_event(policy("hub-data").schedule.when)
    runs = list(islice(event.after(datetime(2026, 3, 1, tzinfo=UTC), UTC), 9))
    assert {following - run for run, following in pairwise(runs)} == {timedelta(hours=6)}
    assert "the last one of 4" in drawn(explain(policy("hub-data"), FOLDER, date(2026, 11, 24)))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("zone", ["Europe/Berlin", "Europe/Lisbon", "America/New_York", "Australia/Sydney"])
def test_no_change_of_clocks_takes_a_night_away_or_makes_a_board_overdue(name: str, zone: str) -> None:
    schedule = policy(name).schedule
    event = parse_calendar_event(schedule.when)
    nights = list(islice(event.after(datetime(2026, 1, 1, tzinfo=UTC), ZoneInfo(zone)), 370))
    minutes = {night.minute for night in nights}
    assert all(minute % 5 for minute in minutes), "at an odd minute"
    for night, following in pairwise(nights):
        assert following < overdue_from(night, schedule)
    days = {night.astimezone(ZoneInfo(zone)).date() for night in nights}
    first, last = min(days).toordinal(), max(days).toordinal()
    weekdays = NIGHTS.get(name, set(range(7)))
    assert {day.toordinal() for day in days} == {day for day in range(first, last + 1) if (day - 1) % 7 in weekdays}


@pytest.mark.parametrize("name", NAMES)
def test_each_value_has_its_reason(name: str) -> None:
    """A comment above it, or above those that it stands together with."""
    before = ""
    keys = 0
    for line in (FOLDER / f"{name}.toml").read_text().splitlines():
        if line and not line.startswith(("#", "[")):
            assert before.startswith("#") or "=" in before, line
            keys += 1
        before = line
    assert keys >= 5


def test_what_is_said_is_no_default() -> None:
    """But for what is said for its reason: all of `[retention]`, and the spans that belong to a time."""
    for name in KEPT:
        found, usual = policy(name), Policy()
        for section in ("image", "store", "space"):
            assert getattr(found, section) == getattr(usual, section)
        assert dataclasses.replace(found.schedule, when="", overdue=0) == dataclasses.replace(
            usual.schedule, when="", overdue=0
        )


def test_the_hub_has_more_days_but_does_not_reach_as_far_back() -> None:
    """As the README says of it."""
    hub, standard = (explain(policy(name), FOLDER, date(2026, 11, 24)) for name in ("hub", "standard"))
    young = [sum(night["day"] >= "2026-11-11" for night in said["kept"]) for said in (hub, standard)]
    assert young[0] > young[1]
    assert date.fromisoformat(standard["oldest"]) < date(2026, 5, 24) < date.fromisoformat(hub["oldest"])
