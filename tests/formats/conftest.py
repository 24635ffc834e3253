"""A shelf that many tests look at, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shelf_of_card import Made, make


@pytest.fixture(scope="session")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("shelf"))


@pytest.fixture
def hurt(whole: Made, tmp_path: Path) -> Made:
    """A copy that a test may damage."""
    return whole.copy(tmp_path)
