"""`policy explain` as people start it."""

from __future__ import annotations

import os
import subprocess
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.program import backupctl, command, environment

pytestmark = pytest.mark.formats


def test_the_shipped_policy() -> None:
    told = backupctl(None, "policy", "explain", "--as-of", "2026-11-24").out
    assert "policy standard, in " in told
    assert "21 are there on Tue 24 Nov 2026" in " ".join(told.split())
    assert all(len(line) < 80 for line in told.splitlines() if "standard.toml" not in line)


def test_a_policy_that_keeps_one(tmp_path: Path) -> None:
    policy = tmp_path / "one.toml"
    policy.write_text("[retention]\ndaily = 1\nweekly = 0\nmonthly = 0\nyearly = 0\neverything_for = 0\nminimum = 1\n")
    told = " ".join(backupctl(None, "policy", "explain", policy, "--as-of", "2026-11-24").out.split())
    assert "1 is there on Tue 24 Nov 2026 (as all the year), back to Tue 24 Nov 2026:" in told


def test_as_json(tmp_path: Path) -> None:
    """Three nights, and the last of each of two years (2028 is a leap year)."""
    policy = tmp_path / "short.toml"
    policy.write_text("[retention]\ndaily = 3\nweekly = 0\nmonthly = 0\nyearly = 2\n")
    told = backupctl(None, "policy", "explain", policy, "--as-of", "2028-03-01", "--json").json
    assert (told["name"], told["file"], told["today"]) == ("short", str(policy), "2028-03-01")
    assert [night["day"] for night in told["kept"]] == ["2027-12-31", "2028-02-28", "2028-02-29", "2028-03-01"]
    assert told["kept"][0]["because"] == ["yearly"]
    # On the first three nights of a year, the last of the year before is one of the three.
    assert told["captures"] == {"today": 4, "fewest": 3, "most": 4}
    assert told["oldest"] == "2027-12-31"
    assert told["words"]["retention"]["weekly"] == "None because of its week."


def test_a_policy_without_a_night_every_day(tmp_path: Path) -> None:
    told = backupctl(None, "policy", "explain", "media", "--as-of", "2026-11-24", "--json").json
    # GNU cal: the Mondays of these weeks.
    assert [night["day"] for night in told["kept"]][-4:] == ["2026-11-02", "2026-11-09", "2026-11-16", "2026-11-23"]
    assert "Of captures taken as planned" in backupctl(None, "policy", "explain", "media").out
    never = tmp_path / "never.toml"
    never.write_text('[schedule]\nwhen = "*-02-30 03:17"\n')
    assert "no night in a year" in backupctl(None, "policy", "explain", never, code=2).err


def test_without_a_day_it_is_today() -> None:
    told = backupctl(None, "policy", "explain", "--json").json
    assert abs(date.fromisoformat(told["today"]) - date.today()) <= timedelta(days=1)


def test_the_policy_of_the_environment(tmp_path: Path) -> None:
    policy = tmp_path / "mine.toml"
    policy.write_text("[retention]\ndaily = 1\n")
    done = subprocess.run(
        command("policy", "explain", "--json"), env=environment(None) | {"BACKUPCTL_POLICY": str(policy)},
        cwd=os.sep, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert '"mine"' in done.stdout


@pytest.mark.parametrize("arguments", [("no-such-policy",), ("missing.toml",), ("--as-of", "1066-10-14"), ("a", "b")])
def test_what_cannot_be_explained(arguments: tuple[str, ...]) -> None:
    assert backupctl(None, "policy", "explain", *arguments, code=2).out == ""


def test_names_without_end_and_controls(tmp_path: Path) -> None:
    policy = tmp_path / "loud.toml"
    policy.write_text('[hooks]\nbefore = ["\\u001b[31mred"]\n')
    assert "\x1b" not in backupctl(None, "policy", "explain", policy).out
