"""One board for all tests, booted once (power cuts aside)."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.rig import recipe
from tests.rig.rig import Rig

LONG = os.environ.get("BACKUPCTL_LONG") == "1"
# The first test may have to wait for a card to be built, in minutes; twenty power cuts take most of an hour.
SECONDS = 7200 if LONG else 900


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("rig"):
            item.add_marker(pytest.mark.timeout(SECONDS))


_made: list[Rig] = []


@pytest.fixture(autouse=True)
def answering() -> None:
    """A test that failed may have left a board that is dead or deaf: it is not to fail all those after it."""
    for made in _made:
        made.heal()


@pytest.fixture(scope="session")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    """A running board whose share nobody has adopted yet."""
    if os.geteuid() != 0:
        pytest.skip("needs root, to install a Debian tree")
    missing = recipe.missing_programs()
    if missing:
        pytest.skip(f"not installed: {', '.join(missing)}")
    made = Rig(tmp_path_factory.mktemp("rig"))
    made.boot()
    _made.append(made)
    try:
        yield made
    finally:
        _made.remove(made)
        made.board.kill()
        # Gigabytes, if sparse ones: not for the runner's collection of old folders.
        for image in made.folder.glob("*.img"):
            image.unlink()


@pytest.fixture(scope="session")
def adopted(rig: Rig) -> Rig:
    """The same with an adopted share: without --same-machine, for its mount is a network mount."""
    rig.backupctl("share", "adopt", "/mnt/net share", "--board", "shed")
    return rig
