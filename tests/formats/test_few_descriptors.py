"""A shelf of more parts than a process may have files open: nights add parts, and a capture refers to many of them."""

from __future__ import annotations

import filecmp
import random
import subprocess
from pathlib import Path

import pytest

from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing import part_series
from tests.program import backupctl, command, environment, here

pytestmark = pytest.mark.formats
PARTS = 60


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(random.Random(60).randbytes(PARTS * SEGMENT_BYTES))
    return path


@pytest.fixture
def share(card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """With a capture that is spread over as many parts as it has segments."""
    folder = tmp_path / "share"
    folder.mkdir()
    backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "shed")
    monkeypatch.setattr(part_series, "PART_SEGMENTS", 1)
    taken = here(folder, "capture", "--board", "shed", "--source", card)
    assert taken.code in (0, 4), taken
    assert len([*(folder / "boards/shed/stock").glob("*.table.zst")]) == PARTS
    return folder


def with_few_descriptors(share: Path, *arguments: str | Path) -> None:
    """`ulimit -n` of POSIX sh: one higher than the highest number of a descriptor."""
    words = ["sh", "-c", 'ulimit -n 32; exec "$@"', "sh", *command(*arguments)]
    subprocess.run(words, env=environment(share), stdin=subprocess.DEVNULL, timeout=120, check=True)


def test_verify_needs_few_descriptors(share: Path) -> None:
    with_few_descriptors(share, "verify")
    with_few_descriptors(share, "verify", "--nights", "2")


def test_restore_needs_few_descriptors(share: Path, card: Path, tmp_path: Path) -> None:
    with_few_descriptors(share, "restore", "newest", tmp_path / "copy.img")
    assert filecmp.cmp(tmp_path / "copy.img", card, shallow=False)
