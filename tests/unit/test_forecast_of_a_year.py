"""A forecast that has seen sixty nights, held against what stands on the share after a year."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from backupctl.operations.capturing import image_run
from backupctl.operations.keeping import shelf_ahead as ahead_module
from backupctl.operations.keeping.forecast import costs_ahead
from backupctl.operations.progress import Quiet, Stop
from backupctl.share import manifest as manifest_module
from tests.year_of_nights import CELL_BYTES, POLICY, YearOfNights

SEEN, YEAR = 60, 369  # the forecast says each seventh night


@pytest.fixture(autouse=True)
def _small_and_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (image_run, ahead_module):
        monkeypatch.setattr(module, "SEGMENT_BYTES", CELL_BYTES)
    monkeypatch.setattr(os, "fsync", lambda _: None)
    # Events never change, and each run reads them all.
    monkeypatch.setattr(manifest_module, "_event", cache(manifest_module._event))


def forecast_and_reality(folder: Path, seed: int) -> tuple[dict[str, Any], int]:
    """What was said after `SEEN` nights of the night `YEAR`, and what stood on the share by then."""
    folder.mkdir()
    year = YearOfNights(folder, seed)
    year.go_on_until(SEEN)
    said = costs_ahead(year.shelf, [POLICY], year.facts(), Quiet(), Stop())
    year.go_on_until(YEAR)
    at = f"{year.now:%Y-%m-%d}"
    return next(moment for moment in said["course"] if moment["at"][:10] == at), year.storage.total


@pytest.mark.timeout(900)  # less than a minute where nothing else runs
def test_a_forecast_from_sixty_nights_is_within_a_tenth_after_a_year(tmp_path: Path) -> None:
    said, real = forecast_and_reality(tmp_path / "year", seed=1)
    assert said["median_bytes"] == pytest.approx(real, rel=0.10)
    assert said["low_bytes"] < said["median_bytes"] < said["high_bytes"]


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_so_it_is_for_most_boards(tmp_path: Path) -> None:
    errors, within = [], 0
    for seed in range(10):
        said, real = forecast_and_reality(tmp_path / f"{seed}", seed)
        errors.append(said["median_bytes"] / real - 1)
        within += said["low_bytes"] <= real <= said["high_bytes"]
        print(f"seed {seed}: {errors[-1]:+.1%}")
    print(f"median of the absolute errors {median(map(abs, errors)):.1%}, {within} of {len(errors)} within the band")
    assert median(map(abs, errors)) < 0.10
