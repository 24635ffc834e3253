"""The server's clock is not taken for the one of whoever asks."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.session import hold
from backupctl.share.manifest import read_manifest
from backupctl.share.server_clock import server_time
from backupctl.share.shelf import adopt_share, make_shelf
from backupctl.share.storage import Bytes, FolderStorage, Sink
from tests.unit.test_lock import NEVER, facts

OWN_CLOCK = datetime(1996, 1, 1, tzinfo=UTC).timestamp()


class CachingClient(FolderStorage):
    """What this machine writes to has this machine's time from then on; all else has the server's."""

    def create(self, name: str) -> Sink:
        return _Sink(super().create(name), self.root / name)


class _Sink:
    def __init__(self, real: Sink, path: Path) -> None:
        self._real = real
        self._path = path

    def write(self, data: Bytes) -> None:
        self._real.write(data)
        os.utime(self._path, (OWN_CLOCK, OWN_CLOCK))

    def rewrite(self, data: Bytes) -> None:
        self._real.rewrite(data)
        os.utime(self._path, (OWN_CLOCK, OWN_CLOCK))

    def sync(self) -> None:
        self._real.sync()

    def close(self) -> None:
        self._real.close()


def test_it_is_the_servers_and_leaves_nothing(tmp_path: Path) -> None:
    written = CachingClient(tmp_path).create("written")
    written.write(b"x")
    written.close()
    assert CachingClient(tmp_path).modified("written") == OWN_CLOCK
    assert server_time(CachingClient(tmp_path)) == pytest.approx(time.time(), abs=60)
    assert list((tmp_path / "probe").iterdir()) == []


@pytest.mark.parametrize("same_machine", [False, True])
def test_only_another_machine_is_a_witness(tmp_path: Path, same_machine: bool) -> None:
    made = "2026-12-01T02:00:00+01:00"
    adopt_share(tmp_path, same_machine, made)
    shelf = make_shelf(tmp_path, "greenhouse", "xxh3-128", made)
    with hold(shelf, facts(), Quiet(), "capture", beat_seconds=NEVER) as session:
        assert session.server_time == pytest.approx(time.time(), abs=60)
        assert session.witness == (None if same_machine else datetime.fromtimestamp(session.server_time, UTC))


@pytest.mark.parametrize("days", [0, 1])
def test_no_event_counts_as_dated_whose_time_the_server_denies(tmp_path: Path, days: int) -> None:
    """Also of a run without the lock: it would be the newest for days, and keep all clocks from being trusted."""
    made = "2026-01-01T02:00:00+01:00"
    adopt_share(tmp_path, False, made)
    shelf = make_shelf(tmp_path, "greenhouse", "xxh3-128", made)
    there = replace(facts(), synchronised=None, now=lambda: datetime.now(UTC) + timedelta(days=days))
    verify(shelf, VerifyOptions(), there, Quiet(), Stop())
    (event,) = read_manifest(shelf.storage).events
    assert (event.kind, event.trusted) == ("verified", days == 0)
