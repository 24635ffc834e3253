"""Marks of readers: who sees whom, and how long a mark counts."""

from __future__ import annotations

import errno
import os
import threading
import time
from pathlib import Path

import pytest

from backupctl.share.lock import Claim, Holder
from backupctl.share.readers import Readers, readers_now, reading
from backupctl.share.storage import FolderStorage, Sink
from tests.unit.test_lock import claim, facts

CAPTURE = "20261201T010001Z-image-0a1b2c"


def seen(tmp_path: Path, by: Claim | None = None) -> Readers:
    return readers_now(FolderStorage(tmp_path), time.time(), (by or claim()).is_gone)


def test_a_mark_counts_until_its_reader_has_ended(tmp_path: Path) -> None:
    with reading(FolderStorage(tmp_path), claim(machine="1" * 32), CAPTURE):
        found = seen(tmp_path)
        assert found.captures == {CAPTURE}
        assert not found.everything
        assert found.names == ("greenhouse (capture)",)
    assert seen(tmp_path) == Readers()
    assert list((tmp_path / "readers").iterdir()) == []


def test_one_who_reads_all(tmp_path: Path) -> None:
    with reading(FolderStorage(tmp_path), claim(), None):
        assert seen(tmp_path).everything


def test_a_mark_that_cannot_be_read_counts_for_everything(tmp_path: Path) -> None:
    """It is being written, or torn by a power cut: for a day, nobody knows what it covers."""
    (tmp_path / "readers").mkdir()
    (tmp_path / f"readers/{'0' * 16}.json").write_bytes(b"")
    assert seen(tmp_path).everything


def test_a_mark_of_a_reader_that_is_gone_is_taken_away(tmp_path: Path) -> None:
    with reading(FolderStorage(tmp_path), claim(boot="start 0"), CAPTURE):
        assert seen(tmp_path, by=facts(machine="1" * 32).claim("thinning")).captures == {CAPTURE}
        assert seen(tmp_path, by=facts(boot="start 1").claim("thinning")) == Readers()
        assert list((tmp_path / "readers").iterdir()) == []


@pytest.mark.parametrize("hours", [23, 25])
def test_a_mark_that_stopped_beating_counts_for_a_day(tmp_path: Path, hours: int) -> None:
    with reading(FolderStorage(tmp_path), claim(machine="1" * 32), CAPTURE):
        (mark,) = (tmp_path / "readers").iterdir()
        when = time.time() - hours * 3600
        os.utime(mark, (when, when))
        assert bool(seen(tmp_path).captures) == (hours < 24)
        assert mark.exists() == (hours < 24)


def test_a_mark_beats(tmp_path: Path) -> None:
    with reading(FolderStorage(tmp_path), claim(), CAPTURE, beat_seconds=0.01):
        (mark,) = (tmp_path / "readers").iterdir()
        os.utime(mark, (0, 0))
        for _ in range(500):
            if mark.stat().st_mtime > 0:
                break
            threading.Event().wait(0.01)
        else:
            pytest.fail("the mark was never written again")


class CannotBeWritten(FolderStorage):
    def __init__(self, root: Path, error: int) -> None:
        super().__init__(root)
        self._error = error

    def create(self, name: str) -> Sink:
        raise OSError(self._error, os.strerror(self._error))


@pytest.mark.parametrize("error", [errno.EROFS, errno.EACCES, errno.ENOSPC])
def test_where_no_mark_can_be_left_reading_goes_on(tmp_path: Path, error: int) -> None:
    with reading(CannotBeWritten(tmp_path, error), claim(), CAPTURE):
        pass


def test_is_gone_is_asked_of_the_holder(tmp_path: Path) -> None:
    asked: list[Holder] = []

    def is_gone(holder: Holder) -> bool | None:
        asked.append(holder)
        return None

    with reading(FolderStorage(tmp_path), claim(machine="1" * 32, boot="start 7"), CAPTURE):
        assert readers_now(FolderStorage(tmp_path), time.time(), is_gone).captures
    assert [(holder.host, holder.boot) for holder in asked] == [("1" * 32, "start 7")]
