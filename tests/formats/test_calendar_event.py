"""Calendar events against `systemd-analyze calendar`: the same moments, in zones with all kinds of clock changes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from datetime import UTC, datetime
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import UsageError
from backupctl.formats.calendar_event import parse_calendar_event

pytestmark = pytest.mark.formats

COUNT = 5
# In force in 2026 (IANA's tzdata): an hour, half an hour, none; at midnight in the last.
ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC", "Africa/Cairo")


def told(text: str, base: datetime, zone: str) -> list[datetime] | None:
    """What systemd says; None if it takes `text` for no calendar event."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    done = subprocess.run(
        ["systemd-analyze", "calendar", f"--iterations={COUNT}", f"--base-time={base:%Y-%m-%d %H:%M:%S} UTC", text],
        env={**os.environ, "TZ": zone, "LC_ALL": "C"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        return None
    found = re.findall(r"(?:Next elapse|Iter\. #\d+|\(in UTC\)): \w+ (\S+ \S+) (\S+)", done.stdout)
    return [datetime.fromisoformat(f"{at}+00:00") for at, named in found if named == "UTC"]


def ours(text: str, base: datetime, zone: str) -> list[datetime]:
    return list(islice(parse_calendar_event(text).after(base, ZoneInfo(zone)), COUNT))


def component(low: int, high: int) -> st.SearchStrategy[str]:
    number = st.integers(low, high)
    item = st.one_of(
        number.map(str),
        st.tuples(number, number).map(lambda pair: f"{min(pair)}..{max(pair)}"),
        st.tuples(number, st.integers(1, 9)).map(lambda pair: f"{pair[0]}/{pair[1]}"),
        st.tuples(number, number, st.integers(1, 9)).map(lambda of: f"{min(of[:2])}..{max(of[:2])}/{of[2]}"),
    )
    return st.just("*") | st.lists(item, min_size=1, max_size=3).map(",".join)


WEEKDAYS = st.lists(st.sampled_from(["Mon", "tue", "WEDNESDAY", "Thu..Sun", "Sat"]), max_size=3).map(",".join)
DATES = st.just("") | st.tuples(component(1, 12), component(1, 31)).map("*-{0[0]}-{0[1]}".format)
HOURS = component(0, 23) | st.just("1,2,3")
TIMES = st.tuples(HOURS, component(0, 59)).map(":".join)
EVENTS = st.tuples(WEEKDAYS, DATES, TIMES).map(lambda words: " ".join(filter(None, words)))
# Before a change of clocks, mostly. Not within the hour that is repeated: there systemd takes the second time, while a
# timer, which counts from when it last went off, comes at the first.
BASES = st.sampled_from([
    datetime(2026, 3, 28, 23, 30, tzinfo=UTC), datetime(2026, 10, 24, 20, tzinfo=UTC), datetime(2026, 3, 7, tzinfo=UTC),
    datetime(2026, 10, 31, 23, 59, 59, tzinfo=UTC), datetime(2026, 4, 23, 18, tzinfo=UTC),
    datetime(2027, 12, 31, tzinfo=UTC),
])  # fmt: skip


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(EVENTS, BASES, st.sampled_from(ZONES))
def test_the_same_moments(text: str, base: datetime, zone: str) -> None:
    theirs = told(text, base, zone)
    assume(theirs is not None)  # such as a list whose steps go beyond the end
    assert ours(text, base, zone) == theirs


@settings(max_examples=100)
@given(st.text("0123/.,:-* Wedaily", max_size=12))
def test_what_systemd_refuses_is_refused(text: str) -> None:
    try:
        parse_calendar_event(text)
    except UsageError:
        return
    assert told(text, datetime(2026, 1, 1, tzinfo=UTC), "UTC") is not None
