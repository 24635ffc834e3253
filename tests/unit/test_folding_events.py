"""Folding old events loses none, whatever befalls it, and is not stopped by one that cannot be read."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from backupctl.domain.events import Event
from backupctl.share import manifest
from backupctl.share.manifest import append_event, fold_old_events, read_manifest
from tests.unit.faulty_storage import Dead, Disk, Fault, FaultyStorage


@pytest.fixture(autouse=True)
def _few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: None)  # `Disk` knows what is synced
    monkeypatch.setattr(manifest, "_FOLD_FROM", 8)
    monkeypatch.setattr(manifest, "_FOLD_KEEP", 3)


def events(count: int = 10) -> list[Event]:
    return [
        Event(number, f"{number:08x}", "confirmed", "2026-12-01T02:00:00+01:00", True, {}, {"confirmed_parts": ["é"]})
        for number in range(1, count + 1)
    ]


def manifest_on(folder: Path) -> Disk:
    (folder / "manifest").mkdir(parents=True)
    disk = Disk(folder)
    for event in events():
        append_event(FaultyStorage(disk), event)
    return disk


def test_folded_events_are_the_same_events_in_fewer_files(tmp_path: Path) -> None:
    disk = manifest_on(tmp_path / "shelf")
    fold_old_events(FaultyStorage(disk))
    assert list(read_manifest(FaultyStorage(disk)).events) == events()
    assert len(list((tmp_path / "shelf" / "manifest").iterdir())) == 1 + 3


@pytest.mark.parametrize("seed", range(3))
def test_a_crash_while_folding(tmp_path: Path, seed: int) -> None:
    for at in range(1, 100):
        disk = manifest_on(tmp_path / f"{at}")
        storage = FaultyStorage(disk, Fault.DIES, at, seed)
        try:
            fold_old_events(storage)
        except Dead:
            pass
        if seed:
            disk.lose_power(random.Random(f"{at} {seed}"))
        assert list(read_manifest(FaultyStorage(disk)).events) == events()
        fold_old_events(FaultyStorage(disk))
        assert list(read_manifest(FaultyStorage(disk)).events) == events()
        if not storage.dead:
            return
    pytest.fail("folding never ended")


def test_damaged_events_stay_where_they_are(tmp_path: Path) -> None:
    disk = manifest_on(tmp_path / "shelf")
    folder = tmp_path / "shelf" / "manifest"
    damaged = [folder / f"{number:010}-{number:08x}.json" for number in (1, 4)]
    for path in damaged:
        path.write_bytes(b"{")
    # An event that says that it is another one: the file to remove is the one that it came from.
    lying = folder / "0000000002-00000002.json"
    lying.write_bytes(lying.read_bytes().replace(b'"00000002"', b'"../../x"'))
    fold_old_events(FaultyStorage(disk))
    assert all(path.exists() for path in damaged)
    assert not lying.exists()
    assert [event.sequence for event in read_manifest(FaultyStorage(disk)).events] == [2, 3, 5, 6, 7, 8, 9, 10]


def test_nothing_to_fold_but_damage(tmp_path: Path) -> None:
    disk = manifest_on(tmp_path / "shelf")
    for path in (tmp_path / "shelf" / "manifest").iterdir():
        path.write_bytes(b"[]")
    fold_old_events(FaultyStorage(disk))
    assert len(read_manifest(FaultyStorage(disk)).problems) == 10
