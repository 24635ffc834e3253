"""A standalone file: written, read back, and verified as all else is. Its checksum is taken by the `xxhash` library."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import xxhash

from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import Policy, StorePolicy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.shelf import Shelf, open_shelf
from backupctl.share.storage import FolderStorage, Source
from tests.program import backupctl
from tests.shelf_of_card import Made, flip

pytestmark = pytest.mark.formats


@pytest.fixture
def capture_id(hurt: Made, tmp_path: Path) -> str:
    policy = tmp_path / "alone.toml"
    policy.write_text("[store]\nstandalone = true\n")
    return hurt.capture("--policy", str(policy))


def file_of(made: Made, capture_id: str) -> Path:
    return made.shelf / "captures" / capture_id / f"{capture_id}.img.zst"


def flipped(path: Path) -> None:
    flip(path, path.stat().st_size // 2)


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def longer(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\0")


def test_the_record_says_what_was_written(hurt: Made, capture_id: str) -> None:
    stored = file_of(hurt, capture_id).read_bytes()
    said = json.loads(hurt.record(capture_id).read_text())["standalone"]
    assert said == {"bytes": len(stored), "checksum": xxhash.xxh3_128_hexdigest(stored)}
    backupctl(hurt.share, "verify")


@pytest.mark.parametrize("damage", [flipped, truncated, longer, Path.unlink], ids=lambda f: f.__name__)
def test_damage_is_told_and_no_capture_called_damaged(
    damage: Callable[[Path], None], hurt: Made, capture_id: str
) -> None:
    damage(file_of(hurt, capture_id))
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert capture_id in found["whole_captures"]
    assert [f"{capture_id}.img.zst" in problem for problem in found["problems"]] == [True]
    said = backupctl(hurt.share, "verify", code=5).out
    assert f"{capture_id}.img.zst" in "".join(said.split())
    assert "no segment, but see below" in said
    backupctl(hurt.share, "verify", hurt.captures[0])


def test_a_round_of_nights_reads_the_file_once(hurt: Made, capture_id: str) -> None:
    flipped(file_of(hurt, capture_id))
    codes = [backupctl(hurt.share, "verify", "--nights", "3", code=None).code for _ in range(3)]
    assert sorted(codes) == [0, 0, 5]


def test_every_night_looks_whether_it_is_there(hurt: Made, capture_id: str) -> None:
    file_of(hurt, capture_id).unlink()
    for _ in range(3):
        backupctl(hurt.share, "verify", "--nights", "3", code=5)


class Forgetful(FolderStorage):
    """A server that gives back zeros for a standalone file when it is asked itself."""

    def open(self, name: str, past_cache: bool = False) -> Source:
        source = super().open(name, past_cache)
        if name.endswith(".img.zst") and past_cache:
            source.read_at = lambda offset, length: bytes(length)  # type: ignore[method-assign]
        return source


@pytest.mark.parametrize("read_back", [True, False])
def test_it_is_read_back_past_the_cache_before_the_capture_counts(read_back: bool, hurt: Made, tmp_path: Path) -> None:
    shelf = open_shelf(hurt.share, "shed")
    shelf = Shelf(Forgetful(shelf.path), shelf.mark, shelf.path)
    options = CaptureOptions(hurt.card, Policy(store=StorePolicy(standalone=True, read_back=read_back)))
    facts = this_machine(tmp_path / "state")
    if not read_back:
        assert capture(shelf, options, facts, Quiet(), Stop())["state"] == "good"
        return
    with pytest.raises(BackupctlError, match="standalone"):
        capture(shelf, options, facts, Quiet(), Stop())
    assert len(backupctl(hurt.share, "list", "--json").json) == len(hurt.captures)
