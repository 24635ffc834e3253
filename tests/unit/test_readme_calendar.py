"""The calendar in the README is what the program draws."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from backupctl.domain.drawn_calendar import draw, how_many, kept_days
from backupctl.domain.policy import RetentionPolicy

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_the_calendar_of_the_readme() -> None:
    today = date(2026, 11, 24)
    kept = kept_days(RetentionPolicy(), today)
    assert "\n".join(draw(kept, today)) in README
    fewest, most = how_many(RetentionPolicy(), today)
    assert f"{len(kept)} are there on Tue 24 Nov 2026 (over the year\n{fewest} to {most})" in README
