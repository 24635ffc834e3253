"""Calendar events by the examples of systemd.time(7), and in nights when clocks change."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import islice, pairwise
from zoneinfo import ZoneInfo

import pytest

from backupctl.domain.errors import UsageError
from backupctl.formats.calendar_event import parse_calendar_event

BERLIN = ZoneInfo("Europe/Berlin")

# systemd.time(7), "CALENDAR EVENTS", the examples with their normalised forms, but for fractions of seconds.
PUBLISHED = """\
Sat,Thu,Mon..Wed,Sat..Sun → Mon..Thu,Sat,Sun *-*-* 00:00:00
Mon,Sun 12-*-* 2,1:23 → Mon,Sun 2012-*-* 01,02:23:00
Wed *-1 → Wed *-*-01 00:00:00
Wed..Wed,Wed *-1 → Wed *-*-01 00:00:00
Wed, 17:48 → Wed *-*-* 17:48:00
Wed..Sat,Tue 12-10-15 1:2:3 → Tue..Sat 2012-10-15 01:02:03
*-*-7 0:0:0 → *-*-07 00:00:00
10-15 → *-10-15 00:00:00
monday *-12-* 17:00 → Mon *-12-* 17:00:00
Mon,Fri *-*-3,1,2 *:30:45 → Mon,Fri *-*-01,02,03 *:30:45
12,14,13,12:20,10,30 → *-*-* 12,13,14:10,20,30:00
12..14:10,20,30 → *-*-* 12..14:10,20,30:00
mon,fri *-1/2-1,3 *:30:45 → Mon,Fri *-01/2-01,03 *:30:45
03-05 08:05:40 → *-03-05 08:05:40
08:05:40 → *-*-* 08:05:40
05:40 → *-*-* 05:40:00
Sat,Sun 12-05 08:05:40 → Sat,Sun *-12-05 08:05:40
Sat,Sun 08:05:40 → Sat,Sun *-*-* 08:05:40
2003-03-05 05:40 → 2003-03-05 05:40:00
2003-02..04-05 → 2003-02..04-05 00:00:00
2003-03-05 05:40 UTC → 2003-03-05 05:40:00 UTC
2003-03-05 → 2003-03-05 00:00:00
03-05 → *-03-05 00:00:00
hourly → *-*-* *:00:00
daily → *-*-* 00:00:00
daily UTC → *-*-* 00:00:00 UTC
monthly → *-*-01 00:00:00
weekly → Mon *-*-* 00:00:00
weekly Pacific/Auckland → Mon *-*-* 00:00:00 Pacific/Auckland
yearly → *-01-01 00:00:00
annually → *-01-01 00:00:00
*:2/3 → *-*-* *:02/3:00
minutely → *-*-* *:*:00
quarterly → *-01,04,07,10-01 00:00:00
semiannually → *-01,07-01 00:00:00
"""


@pytest.mark.parametrize("line", PUBLISHED.splitlines())
def test_published_examples(line: str) -> None:
    given, normalised = line.split(" → ")
    assert parse_calendar_event(given) == parse_calendar_event(normalised)


@pytest.mark.parametrize(
    "text",
    [
        # What systemd-analyze calendar of systemd 252 refuses as well.
        *("", "3", "utc", "*:*/15", "*/2:00", "Sat..Mon", "*-*-* 24:00", "*-*-* 3:60", "2026-13-01", "*:00/0"),
        *("Mon,,Tue", "Mon, Tue", "5..3:00", "00:00:60", "1:1:1:1", "+3:17", "daily Europe/berlin", "1-2-3-4"),
        # What it takes, and this parser does not.
        *("*-02~01", "3:17:30.5", "@1", "Mon-Fri 10:00"),
        # What nobody would write.
        *("٣:17", "3:17 " * 100, "daily /etc/passwd", "daily ../../etc", "99999-1-1", "daily daily", "3:17\0"),
    ],
)
def test_what_is_none(text: str) -> None:
    with pytest.raises(UsageError, match="not a time that can be planned"):
        parse_calendar_event(text)


def moments(text: str, base: datetime, count: int) -> list[str]:
    return [f"{at:%Y-%m-%d %H:%M}" for at in islice(parse_calendar_event(text).after(base, BERLIN), count)]


def test_a_night_in_which_the_clocks_go_forward() -> None:
    base = datetime(2026, 3, 28, tzinfo=BERLIN)
    # TZ=Europe/Berlin systemd-analyze calendar --iterations=3 --base-time="2026-03-28 00:00:00", in UTC: the clocks go
    # from 02:00 to 03:00 on the 29th, and that night has no 02:17.
    assert moments("*-*-* 02:17", base, 3) == ["2026-03-28 01:17", "2026-03-30 00:17", "2026-03-31 00:17"]
    assert moments("*-*-* 03:17", base, 3) == ["2026-03-28 02:17", "2026-03-29 01:17", "2026-03-30 01:17"]


def test_a_night_in_which_the_clocks_go_back() -> None:
    base = datetime(2026, 10, 24, tzinfo=BERLIN)
    # The same with --base-time="2026-10-24 00:00:00": the 25th has 02:17 twice, and the first one counts.
    assert moments("*-*-* 02:17", base, 3) == ["2026-10-24 00:17", "2026-10-25 00:17", "2026-10-26 01:17"]


@pytest.mark.parametrize("month", [3, 10])
def test_the_latest_is_the_last_of_those_before(month: int) -> None:
    event = parse_calendar_event("Mon,Sat,Sun *-*-* 01,02:17/20")
    base = datetime(2026, month, 20, tzinfo=UTC)
    until = datetime(2026, month, 30, 12, tzinfo=UTC)
    every = [at for at in islice(event.after(base, BERLIN), 60) if at <= until]
    assert len(every) > 12
    for earlier, later in pairwise(every):
        assert event.latest(later, BERLIN) == later
        assert event.latest(later - (later - earlier) / 2, BERLIN) == earlier


def test_what_never_comes_ends() -> None:
    assert moments("Mon *-02-30 03:00", datetime(2026, 1, 1, tzinfo=UTC), 1) == []
    assert parse_calendar_event("2030-01-01").latest(datetime(2026, 1, 1, tzinfo=UTC), BERLIN) is None


def test_a_zone_of_its_own_counts_before_that_of_the_machine() -> None:
    # systemd-analyze calendar --base-time="2026-01-01 00:00:00" "mon 03:17 Europe/Berlin": 2026-01-05 02:17 UTC.
    event = parse_calendar_event("mon 03:17 Europe/Berlin")
    first = next(event.after(datetime(2026, 1, 1, tzinfo=UTC), ZoneInfo("Pacific/Auckland")))
    assert first == datetime(2026, 1, 5, 2, 17, tzinfo=UTC)
