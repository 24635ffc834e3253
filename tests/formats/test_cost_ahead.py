"""`cost` looking ahead, as somebody asks for it; what it must be is worked out from the shelf's files."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


def ahead(made: Made, *arguments: str | Path) -> dict[str, Any]:
    found: dict[str, Any] = backupctl(made.share, "cost", *arguments, "--json").json["ahead"]
    return found


def test_what_is_there_now_is_what_stands_there(whole: Made) -> None:
    found = ahead(whole, "--ahead")
    files = [path for path in whole.shelf.rglob("*") if path.is_file()]
    # The lock, marks of runs and what lies in the trash come and go.
    there = sum(path.stat().st_size for path in files if path.parent.name not in ("busy", "trash", "readers"))
    assert found["now_bytes"] == pytest.approx(there, rel=0.01)
    assert (found["board"], found["nights_measured"], found["assumed"]) == ("shed", 1, None)
    [policy] = found["policies"]
    assert policy["retention"] == {"daily": 7, "weekly": 4, "monthly": 12, "yearly": 3, "newest": 0}
    assert policy["today"] == {"captures": 2, "goes": [], "freed_bytes": 0, "freed_later_bytes": 0}
    moments = found["course"]
    first, last = (datetime.fromisoformat(moments[at]["at"]) for at in (0, -1))
    assert last - first == timedelta(days=364)
    assert all(moment["low_bytes"] <= moment["median_bytes"] <= moment["high_bytes"] for moment in moments)
    assert moments[-1]["median_bytes"] == policy["year"]["median_bytes"]
    # Both captures of today, and as in a written calendar: seven days, four weeks, twelve months, not all other days.
    assert 18 <= policy["kept"]["captures"] <= 23
    assert policy["kept"]["longest_gap_days"]["week"] <= 7


def test_captures_of_another_kind_are_not_foreseen(hurt: Made, tmp_path: Path) -> None:
    assert "foreseen" not in backupctl(hurt.share, "cost", "--ahead").out
    (tmp_path / "tree").mkdir()
    backupctl(hurt.share, "capture", "--board", "shed", "--source", tmp_path / "tree", code=None)
    shown = " ".join(backupctl(hurt.share, "cost", "--ahead").out.split())
    assert "Only captures of files are foreseen: of cards it has the 2 captures that there are" in shown
    assert ahead(hurt, "--ahead")["of_other_kinds"] == 2


def test_another_policy_by_its_counts(whole: Made) -> None:
    less, more = (ahead(whole, "--daily", daily, "--yearly", "0")["policies"][0] for daily in ("1", "60"))
    assert less["policy"] == "standard, changed"
    assert less["retention"] == {"daily": 1, "weekly": 4, "monthly": 12, "yearly": 0, "newest": 0}
    assert less["kept"]["captures"] < more["kept"]["captures"]
    assert less["year"]["median_bytes"] <= more["year"]["median_bytes"]


def test_a_policy_that_counts_no_periods(whole: Made) -> None:
    none = [word for period in ("daily", "weekly", "monthly", "yearly") for word in (f"--{period}", "0")]
    words = ("cost", *none, "--newest", "5", "--everything-for", "0 h")
    [policy] = ahead(whole, *words[1:])["policies"]
    assert policy["kept"]["captures"] == 5
    assert "standard, changed: 5 newest" in " ".join(backupctl(whole.share, *words).out.split())


def test_policies_side_by_side(whole: Made, tmp_path: Path) -> None:
    days = tmp_path / "days.toml"
    days.write_text("[retention]\ndaily = 5\nweekly = 0\nmonthly = 0\nyearly = 0\neverything_for = '0 h'\n")
    said = ahead(whole, "--compare", "standard", days)["policies"]
    assert [policy["policy"] for policy in said] == ["standard", "days"]
    assert said[1]["kept"] == {
        "captures": 5,
        "oldest_days": 4.0,
        "longest_gap_days": {"week": 1.0, "month": None, "quarter": None, "year": None, "before": None},
    }
    shown = backupctl(whole.share, "cost", "--compare", "standard", days).out
    assert max(map(len, shown.splitlines())) < 80
    assert "In the end: how many captures stay" in shown
    [row] = [line.split() for line in shown.splitlines() if line.startswith("days ") and "to" not in line]
    assert row == ["days", "5", "4", "1", "-", "-", "-", "-"]


def test_how_far_it_looks_is_told(whole: Made, tmp_path: Path) -> None:
    long = tmp_path / "long.toml"
    long.write_text("[retention]\nyearly = 100\n")
    shown = " ".join(backupctl(whole.share, "cost", "--policy", long).out.split())
    assert "after 10 years" in shown
    assert "every period is filled" not in shown


def test_a_board_without_captures_is_known_by_assumptions_only() -> None:
    arguments = ("cost", "--in-use", "10 GiB", "--changed", "0", "--stored", "50", "--json")
    found = backupctl(None, *arguments).json
    assert found["assumed"] == {"in_use_bytes": 10 << 30, "changed": 0.0, "again": 60.0, "stored": 50.0}
    [policy] = found["policies"]
    # Half of 10 GiB, tables and contents beside it; renewal writes all of it once more within the year.
    assert found["course"][10]["median_bytes"] == pytest.approx(5 << 30, rel=0.02)
    assert policy["today"] is None
    assert found["room_bytes"] is None
    busy = backupctl(None, "cost", "--in-use", "10 GiB", "--changed", "5").out
    assert "5 % of 10.0 GiB change in a night" in " ".join(busy.split())
    assert "Nothing of that was measured" in " ".join(busy.split())


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("standard",), "what about standard?"),
        (("--everything-for", "soon"), "not a span of time"),
        (("--everything-for", "400 d"), "--everything-for is 400 days, not within 0 hours and 366 days"),
        (("--yearly", "101"), "--yearly is 101, not within 0 and 100"),
        (("--daily", "1001"), "--daily is 1001, not within 0 and 1000"),
        (("--in-use", "much"), "not a size"),
        (("--in-use", "1 GiB", "--html", "x.html"), "has no page yet"),
        (("--compare", "no-such-policy"), "there is no policy 'no-such-policy'"),
        (("--compare",), "what is to be compared?"),
        (("--policy", "hub", "--compare", "sensor", "media"), "what is to be compared?"),
        (("--changed", "7"), "--changed is for a board without captures"),
        (("--stored", "40", "--ahead"), "--stored is for a board without captures"),
    ],
)
def test_what_cannot_be_asked(whole: Made, arguments: tuple[str, ...], said: str) -> None:
    ended = backupctl(whole.share, "cost", *arguments, code=2)
    assert said in ended.err


def test_without_being_asked_it_does_not_simulate(whole: Made) -> None:
    assert "ahead" not in backupctl(whole.share, "cost", "--json").json


def test_damaged_contents_are_told(hurt: Made) -> None:
    contents = hurt.shelf / "captures" / hurt.captures[1] / "contents.0.tsv.zst"
    contents.write_bytes(contents.read_bytes()[:-40])
    ended = backupctl(hurt.share, "cost", "--ahead", code=5)
    assert hurt.captures[1] in ended.err
