"""`thin --tidy` as it is typed: it empties the trash at once."""

from __future__ import annotations

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


def test_it_empties_the_trash(hurt: Made) -> None:
    backupctl(hurt.share, "discard", hurt.captures[0], "--yes")
    trash = hurt.shelf / "trash"
    assert [path for path in trash.rglob("*") if path.is_file()]
    shown = backupctl(hurt.share, "thin", "--tidy", "--yes").out
    assert not list(trash.iterdir())
    assert "given back" in shown
    assert "trash" not in shown
