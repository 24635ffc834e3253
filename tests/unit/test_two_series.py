"""What it saves that places which change again and again have parts of their own: two years on the real store."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest

from backupctl.operations.capturing import cell_store as cell_store_module
from backupctl.operations.capturing import image_run
from backupctl.operations.capturing.part_series import CHURN, STABLE
from backupctl.share import manifest as manifest_module
from tests.year_of_nights import CELL_BYTES, YearOfNights

NIGHTS = 730


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_less_is_moved_again_with_two_series_of_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", CELL_BYTES)
    monkeypatch.setattr(os, "fsync", lambda _: None)
    monkeypatch.setattr(manifest_module, "_event", cache(manifest_module._event))
    moved = []
    for churn in (CHURN, STABLE):
        monkeypatch.setattr(cell_store_module, "CHURN", churn)
        folder = tmp_path / f"{churn}"
        folder.mkdir()
        years = YearOfNights(folder, seed=1)
        years.go_on_until(NIGHTS)
        moved.append(years.moved / years.captured)
        print(f"moved again: {moved[-1]:.1%} of what was written; on the share: {years.storage.total / 1e6:.1f} MB")
    assert moved[0] < 0.8 * moved[1]
