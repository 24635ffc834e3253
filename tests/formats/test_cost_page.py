"""The page of `cost --html`, in a real browser: wide and narrow, light and dark, and the same figures as the JSON."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupctl.cli.cost_page import page
from tests.browser import look
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

MIB = 1 << 20
NOW = datetime(2026, 11, 24, 3, 17, tzinfo=UTC)
TIERS = ("guarded", "yearly", "monthly", "weekly", "daily", "recent", "safety", "unusable", "goes")
HOSTILE = '<script>alert("x")</script> & "quotes" and-a-very-long-word-that-nobody-could-ever-break-anywhere'


def capture(number: int) -> dict[str, Any]:
    tier = TIERS[number % len(TIERS)]
    return {
        "id": f"2026-{number}", "board": "greenhouse-number-2", "label": HOSTILE if number == 3 else None,
        "started": None if tier == "unusable" else (NOW - timedelta(days=3 * number * number)).isoformat(),
        "tier": tier, "reasons": ["stands for week 47", f"guarded, {HOSTILE}"] if number == 3 else ["stands for a day"],
        "alone_bytes": number * MIB + 1, "freed_now_bytes": number * 1000,
    }  # fmt: skip


def moment(week: int) -> dict[str, Any]:
    middle = (900 + 10 * week) * MIB
    return {
        "at": (NOW + timedelta(weeks=week)).isoformat(), "captures": 20, "low_bytes": middle - week * MIB,
        "median_bytes": middle, "high_bytes": middle + 2 * week * MIB, "runs": 19,
        "tier_bytes": dict.fromkeys(TIERS[:-2], 40 * MIB),
    }  # fmt: skip


def policy(name: str) -> dict[str, Any]:
    return {
        "policy": name, "retention": {"daily": 7, "weekly": 4, "monthly": 12, "yearly": 3},
        "today": {"captures": 20, "goes": [], "freed_bytes": 12345, "freed_later_bytes": 5},
        "year": moment(52), "steady": moment(180) | {"filled": True},
        "kept": {"captures": 20, "oldest_days": 800.0,
                 "longest_gap_days": {"week": 1.0, "month": 7.0, "quarter": 31.0, "year": 31.0, "before": None}},
        "full": {"earliest": moment(40)["at"], "median": None, "latest": None},
    }  # fmt: skip


@pytest.fixture(scope="module")
def made_up(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with all that one may have to show."""
    captures = [capture(number) for number in range(20)]
    cost = {"total_bytes": 1234 * MIB, "free_bytes": 700 * MIB, "captures": captures}
    ahead = {
        "board": "greenhouse-number-2", "nights_measured": 60, "assumed": None, "interval_hours": 24.0,
        "now_bytes": 900 * MIB, "room_bytes": 1400 * MIB, "never_full": None,
        "policies": [policy("standard"), policy(HOSTILE)], "course": [moment(week) for week in range(53)],
    }  # fmt: skip
    target = tmp_path_factory.mktemp("page") / "cost.html"
    target.write_text(page(cost, ahead, NOW), encoding="utf-8")
    return target


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [360, 1200])
def test_it_can_be_read(made_up: Path, tmp_path: Path, width: int, dark: bool) -> None:
    seen = look(made_up, tmp_path, width, dark)
    assert seen.dark is dark
    assert (max(seen.paper) < 60) if dark else (min(seen.paper) > 200)
    # A headless window has a smallest width of its own.
    assert seen.width <= max(seen.seen, width)
    assert seen.outside == []
    # WCAG 2.2, 1.4.3: 4.5 to 1, whatever the size.
    assert [text for text in seen.texts if text[1] < 4.5] == []
    assert min(size for _, _, size in seen.texts) >= 11
    words = [text for text, _, _ in seen.texts]
    assert {"Calendar of captures", "Forecast", "November 2026", "guarded", "would go", "The same as a table"} <= set(
        words
    )
    assert any('<script>alert("x")</script>' in text for text in words)
    assert seen.requests == []
    for x, y, right, down in ((x, y, x + w, y + h) for x, y, w, h in seen.charts):
        assert -1 <= x <= right <= 1001
        assert -1 <= y <= down <= 1001
    assert len(seen.charts) >= 10


def day_cells(captures: list[dict[str, Any]]) -> dict[str, str]:
    """Cells of days that are drawn in some way: what stands there, and by what."""
    moments = [moment(week) for week in range(53)]
    cost = {"total_bytes": 1, "free_bytes": 1, "captures": captures}
    ahead = {
        "board": "b", "nights_measured": 60, "assumed": None, "interval_hours": 24.0, "now_bytes": 1,
        "room_bytes": 1400 * MIB, "never_full": None, "policies": [policy("standard")], "course": moments,
    }  # fmt: skip
    cells = re.findall(r'<td class="(kept|goes)"[^>]*>(\w+)</td>', page(cost, ahead, NOW))
    return {said: drawn for drawn, said in cells}


def test_a_day_of_several_captures_shows_the_strongest_reason() -> None:
    twice = [
        capture(number) | {"tier": tier, "started": NOW.replace(day=day, hour=hour).isoformat()}
        for number, (day, hour, tier) in enumerate(
            [(3, 2, "goes"), (3, 14, "weekly"), (4, 2, "daily"), (4, 14, "goes")]
        )
    ]
    assert day_cells(twice) == {"W": "kept", "D": "kept"}


def test_a_day_whose_captures_all_go_keeps_its_number() -> None:
    going = [capture(0) | {"tier": "goes", "started": NOW.replace(day=5, hour=hour).isoformat()} for hour in (2, 14)]
    assert day_cells(going) == {"5": "goes"}


def test_it_asks_nobody_for_anything(made_up: Path) -> None:
    text = made_up.read_text()
    assert "default-src 'none'" in text
    assert not re.search(r"https?:|src=|url\(|@import|<link|<script", text)


def test_its_figures_are_those_of_the_json(whole: Made, tmp_path: Path) -> None:
    target = tmp_path / "cost.html"
    said = backupctl(whole.share, "cost", "--board", "shed", "--html", target, "--json").json
    ahead = said["ahead"]
    assert (ahead["board"], ahead["nights_measured"]) == ("shed", 1)
    data = look(target, tmp_path, 1200, dark=False).data
    shown = [int(value) for value, _ in data]
    year = ahead["policies"][0]["year"]
    wanted = [said["total_bytes"], said["free_bytes"], *(year[f"{name}_bytes"] for name in ("low", "median", "high"))]
    wanted += [item[key] for item in said["captures"] for key in ("alone_bytes", "freed_now_bytes")]
    last = ahead["course"][-1]
    wanted += [*last["tier_bytes"].values(), last["low_bytes"], last["median_bytes"], last["high_bytes"]]
    assert set(wanted) <= set(shown)
    # Three figures are less than 0.6 % from the number.
    for value, words in data:
        number, unit = words.split()
        scale = {"byte": 1, "bytes": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40}[unit]
        assert float(number) * scale == pytest.approx(int(value), rel=0.006)


def test_a_page_that_cannot_be_written_is_an_error_and_not_silence(whole: Made, tmp_path: Path) -> None:
    ended = backupctl(whole.share, "cost", "--html", tmp_path / "no" / "cost.html", code=1)
    assert "cannot be written" in ended.err
