"""A share is tried with a file of random bytes, of which nothing stays."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.domain.errors import Damaged
from backupctl.share import probe as probe_module
from backupctl.share.probe import probe
from backupctl.share.storage import Bytes, FolderStorage, Sink, Source
from tests.unit.faulty_storage import Dead, Disk, Fault, FaultyStorage


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_module, "BYTES", 100_000)


def left(share: Path) -> list[str]:
    return sorted(path.name for path in (share / "probe").iterdir())


def test_a_share_that_does_what_is_asked(tmp_path: Path) -> None:
    found = probe(FolderStorage(tmp_path))
    assert found.written > 0
    assert found.read > 0
    assert abs(found.ahead) < 60
    assert left(tmp_path) == []


class OfAnotherDay(FolderStorage):
    def modified(self, name: str) -> float:
        return super().modified(name) - 86_400


def test_a_clock_that_is_a_day_behind(tmp_path: Path) -> None:
    assert probe(OfAnotherDay(tmp_path)).ahead == pytest.approx(-86_400, abs=60)


class GivesBackOthers(FolderStorage):
    def open(self, name: str, past_cache: bool = False) -> Source:
        assert past_cache
        path = self.root / name
        path.write_bytes(path.read_bytes()[:-1] + b"\0\0")
        return super().open(name, past_cache)


class RenamesNothing(FolderStorage):
    def rename(self, old: str, new: str) -> None: ...


@pytest.mark.parametrize("share", [GivesBackOthers, RenamesNothing])
def test_a_share_that_lies(tmp_path: Path, share: type[FolderStorage]) -> None:
    with pytest.raises(Damaged):
        probe(share(tmp_path))
    assert left(tmp_path) == []


class Fails(FolderStorage):
    def __init__(self, root: Path, at: str) -> None:
        super().__init__(root)
        self._at = at

    def create(self, name: str) -> Sink:
        if self._at == "create":
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return _Full(super().create(name)) if self._at == "sync" else super().create(name)


class _Full:
    """The first sync tells, as on a network file system, and later ones do not."""

    def __init__(self, real: Sink) -> None:
        self.write: Callable[[Bytes], None] = real.write
        self.rewrite: Callable[[Bytes], None] = real.rewrite
        self.close: Callable[[], None] = real.close

    def sync(self) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize(("at", "number"), [("create", errno.EROFS), ("sync", errno.ENOSPC)])
def test_a_share_that_fails(tmp_path: Path, at: str, number: int) -> None:
    with pytest.raises(OSError) as failed:
        probe(Fails(tmp_path, at))
    assert failed.value.errno == number
    assert left(tmp_path) == []


def test_what_a_killed_probe_leaves_the_next_removes(tmp_path: Path) -> None:
    killed = 0
    for at in range(1, 100):
        root = tmp_path / f"{at}"
        root.mkdir()
        disk = Disk(root)
        try:
            probe(FaultyStorage(disk, Fault.DIES, at))
        except Dead:
            killed += 1
        else:
            break
        for file in (root / "probe").glob("*"):
            os.utime(file, (time.time() - 3601,) * 2)
        probe(FolderStorage(root))
        assert not list((root / "probe").iterdir())
    assert killed > 5


def test_another_one_at_work_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "probe").mkdir()
    (tmp_path / "probe/0123456789abcdef").write_bytes(b"just now")
    probe(FolderStorage(tmp_path))
    assert left(tmp_path) == ["0123456789abcdef"]
