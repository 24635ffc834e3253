"""ISO weeks against the date command of GNU coreutils."""

from __future__ import annotations

import shutil
import subprocess
from datetime import date, timedelta

import pytest

from backupctl.domain.periods import PERIODS, numbers

pytestmark = pytest.mark.formats


@pytest.fixture(scope="module")
def gnu_weeks() -> dict[date, str]:
    """Each day of 2000 to 2040, and what `date +%G-W%V` says of it."""
    if shutil.which("date") is None:
        pytest.skip("no date command")
    version = subprocess.run(["date", "--version"], capture_output=True, text=True, check=False)
    if "GNU coreutils" not in version.stdout:
        pytest.skip("the date command is not that of GNU coreutils")
    days = [date(2000, 1, 1) + timedelta(days=n) for n in range((date(2041, 1, 1) - date(2000, 1, 1)).days)]
    said = subprocess.run(
        ["date", "--utc", "--file=-", "+%G-W%V"], input="".join(f"{day}\n" for day in days),
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return dict(zip(days, said.stdout.split(), strict=True))


def test_every_day_is_in_the_week_that_gnu_date_says(gnu_weeks: dict[date, str]) -> None:
    for day, said in gnu_weeks.items():
        year, week = said.split("-W")
        assert PERIODS[2].words(day, 0) == f"week {int(week)} of {year}", day


def test_days_share_a_number_where_they_share_a_week(gnu_weeks: dict[date, str]) -> None:
    by_number: dict[int, set[str]] = {}
    for day, said in gnu_weeks.items():
        by_number.setdefault(numbers(day)[2], set()).add(said)
    assert all(len(weeks) == 1 for weeks in by_number.values())
    assert len(by_number) == len(set(gnu_weeks.values()))
