"""Of all who want a shelf one holds it, whatever clocks, directory listings and dead machines say."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.board import host
from backupctl.domain.errors import BackupctlError, Busy
from backupctl.operations.facts import Facts
from backupctl.operations.progress import Quiet
from backupctl.operations.session import hold
from backupctl.share.lock import STALE_BEATS, Claim, Lock, acquire, holder_now
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import open_shelf
from backupctl.share.storage import FolderStorage, Storage
from tests.unit.small_board import empty_shelf

BEAT = 0.02  # seconds, where a lock really beats
NEVER = 3600.0  # where it stands still


def facts(machine: str = "0" * 32, boot: str = "start 1") -> Facts:
    return Facts("greenhouse", machine, boot, "Europe/Berlin", True, Path("/nonexistent"))


def claim(machine: str = "0" * 32, boot: str = "start 1") -> Claim:
    return facts(machine, boot).claim("capture")


def no_wait(_: float) -> None:
    pytest.fail("nothing was to be waited for")


def stop_beating(lock: Lock) -> None:
    """What is left of a run that ended without a word: its thread is none of the lock's file."""
    lock._stop.set()
    lock._thread.join()


def left_by_a_dead_run(storage: Storage, machine: str = "0" * 32, boot: str = "start 0") -> Lock:
    lock = acquire(storage, claim(machine, boot), beat_seconds=NEVER, wait=no_wait)
    stop_beating(lock)
    return lock


class Waits:
    """Counts waits, and does something at one of them."""

    def __init__(self, at: int = 0, then: Callable[[], None] = lambda: None) -> None:
        self.count = 0
        self._at = at
        self._then = then

    def __call__(self, _: float) -> None:
        self.count += 1
        if self.count == self._at:
            self._then()


def test_a_run_of_the_same_machine_is_told_at_once(tmp_path: Path) -> None:
    first = acquire(FolderStorage(tmp_path), claim(), beat_seconds=NEVER)
    with pytest.raises(Busy, match=f"greenhouse is at work .* process {os.getpid()}"):
        acquire(FolderStorage(tmp_path), claim(), wait=no_wait)
    first.release()
    assert holder_now(FolderStorage(tmp_path)) is None
    acquire(FolderStorage(tmp_path), claim(), beat_seconds=NEVER, wait=no_wait).release()


def test_a_run_of_another_machine_is_told_at_the_first_beat(tmp_path: Path) -> None:
    first = acquire(FolderStorage(tmp_path), claim(), beat_seconds=BEAT)
    with pytest.raises(Busy, match="greenhouse is at work"):
        acquire(FolderStorage(tmp_path), claim(machine="1" * 32), beat_seconds=5 * BEAT)
    first.check()
    first.release()


def test_two_runs_of_one_board_at_once(tmp_path: Path) -> None:
    path = empty_shelf(tmp_path / "share")
    start = threading.Barrier(2)
    inside = threading.Event()
    ended: list[str] = []

    def run(machine: str) -> None:
        start.wait()
        try:
            with hold(open_shelf(path, None), facts(machine), Quiet(), "capture", beat_seconds=BEAT):
                assert not inside.is_set()
                inside.set()
                while len(ended) < 1:
                    threading.Event().wait(BEAT)
                ended.append("done")
        except Busy:
            ended.append("busy")

    threads = [threading.Thread(target=run, args=(machine * 32,)) for machine in "01"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert ended == ["busy", "done"]


def race(folder: Path, claimants: int) -> tuple[list[Lock], list[Busy]]:
    """Who won and who did not, of so many that claim the lock at the same moment."""
    start = threading.Barrier(claimants)
    won: list[Lock] = []
    busy: list[Busy] = []

    def run() -> None:
        storage = FolderStorage(folder)
        start.wait()
        try:
            # One who looks while the winner's file is still empty has to watch it.
            won.append(acquire(storage, claim(), beat_seconds=NEVER, wait=lambda _: time.sleep(BEAT)))
        except Busy as error:
            busy.append(error)

    threads = [threading.Thread(target=run) for _ in range(claimants)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return won, busy


@pytest.mark.parametrize("released", [False, True])
def test_of_three_claimants_one_wins(tmp_path: Path, released: bool) -> None:
    for turn in range(40):
        folder = tmp_path / f"{turn}"
        folder.mkdir()
        before = left_by_a_dead_run(FolderStorage(folder))
        if released:
            before.release()
        won, busy = race(folder, 3)
        assert (len(won), len(busy)) == (1, 2)
        won[0].check()
        won[0].release()
        with pytest.raises(Busy, match="taken over"):
            before.check()


def test_a_run_of_another_boot_is_followed_at_once(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    left_by_a_dead_run(storage, boot="start 0")
    lock = acquire(storage, claim(boot="start 1"), beat_seconds=NEVER, wait=no_wait)
    assert [holder.boot for holder in lock.superseded] == ["start 0"]
    lock.release()


def test_a_board_whose_card_is_a_copy_of_another_ones(tmp_path: Path) -> None:
    """Both have one machine id, and each was started by itself: another boot of the same machine it is not."""
    here, there = (replace(facts(boot=boot), hardware=boot).claim("capture") for boot in ("start 1", "start 2"))
    first = acquire(FolderStorage(tmp_path), here, beat_seconds=BEAT)
    with pytest.raises(Busy, match="greenhouse is at work"):
        acquire(FolderStorage(tmp_path), there, beat_seconds=5 * BEAT)
    first.check()
    first.release()


@pytest.mark.parametrize("born", [None, "one with the same number, started later"])
def test_a_process_that_has_ended_is_followed_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, born: str | None
) -> None:
    storage = FolderStorage(tmp_path)
    left_by_a_dead_run(storage, boot="start 1")
    monkeypatch.setattr(host, "born", lambda process: born if process == os.getpid() else pytest.fail("whose?"))
    acquire(storage, claim(boot="start 1"), beat_seconds=NEVER, wait=no_wait).release()


def test_a_process_that_may_not_be_looked_at_is_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left_by_a_dead_run(FolderStorage(tmp_path), boot="start 1")
    monkeypatch.setattr(host, "born", lambda _: "")
    with pytest.raises(Busy):
        acquire(FolderStorage(tmp_path), claim(boot="start 1"), wait=no_wait)


def test_a_lock_of_another_machine_is_watched_first(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    left_by_a_dead_run(storage, machine="1" * 32)
    waits = Waits()
    acquire(storage, claim(), beat_seconds=NEVER, wait=waits).release()
    assert waits.count == STALE_BEATS


def test_watching_ends_when_the_counter_moves(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    theirs = left_by_a_dead_run(storage, machine="1" * 32)

    def beat() -> None:
        name = f"busy/{theirs.generation:010}.json"
        text = (tmp_path / name).read_bytes()
        assert b'"beat": 0' in text
        (tmp_path / name).write_bytes(text.replace(b'"beat": 0', b'"beat": 1'))

    waits = Waits(STALE_BEATS, beat)
    with pytest.raises(Busy, match="greenhouse is at work"):
        acquire(storage, claim(), beat_seconds=NEVER, wait=waits)
    assert waits.count == STALE_BEATS
    theirs.check()


def test_watching_ends_when_the_lock_is_given_back(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    theirs = left_by_a_dead_run(storage, machine="1" * 32)
    waits = Waits(2, theirs.release)
    lock = acquire(storage, claim(), beat_seconds=NEVER, wait=waits)
    assert waits.count == 2
    assert lock.superseded == ()
    lock.release()


def test_watching_ends_when_somebody_else_takes_it(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    left_by_a_dead_run(storage, machine="1" * 32)
    third: list[Lock] = []

    def take() -> None:
        third.append(acquire(storage, claim(machine="2" * 32), beat_seconds=NEVER, wait=lambda _: None))

    with pytest.raises(Busy):
        acquire(storage, claim(), beat_seconds=NEVER, wait=Waits(3, take))
    third[0].check()
    third[0].release()


@pytest.mark.parametrize("left", [b"", bytes(1024), b'{"token": "0', b'{"token": 1}', b"[]", b"\xff" * 1024])
def test_a_torn_lock_is_watched_and_followed(tmp_path: Path, left: bytes) -> None:
    storage = FolderStorage(tmp_path)
    theirs = left_by_a_dead_run(storage)
    (tmp_path / f"busy/{theirs.generation:010}.json").write_bytes(left)
    waits = Waits()
    lock = acquire(storage, claim(), beat_seconds=NEVER, wait=waits)
    assert waits.count == STALE_BEATS
    assert lock.superseded == ()
    with pytest.raises(Busy):
        theirs.check()
    lock.release()


class Outdated(FolderStorage):
    """A client that shows the lock's folder as it was, the first time that it is asked."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self._as_it_was: list[str] | None = super().names("busy")

    def names(self, folder: str) -> list[str]:
        shown, self._as_it_was = self._as_it_was, None
        return super().names(folder) if shown is None or folder != "busy" else shown


@pytest.mark.parametrize("meanwhile", range(1, 8))
def test_a_claimant_with_an_outdated_listing(tmp_path: Path, meanwhile: int) -> None:
    storage = FolderStorage(tmp_path)
    acquire(storage, claim(), beat_seconds=NEVER).release()
    outdated = Outdated(tmp_path)
    for _ in range(meanwhile - 1):
        acquire(storage, claim(), beat_seconds=NEVER).release()
    held = acquire(storage, claim(machine="1" * 32), beat_seconds=NEVER)
    with pytest.raises(Busy):
        acquire(outdated, claim(), wait=lambda _: None)
    held.check()
    held.release()


def test_old_generations_are_tidied_away(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    for _ in range(9):
        acquire(storage, claim(), beat_seconds=NEVER).release()
    assert [int(name[:10]) for name in storage.names("busy")] == [6, 7, 8, 9]


def test_a_run_that_dies_before_it_can_say_whom_it_followed(tmp_path: Path) -> None:
    """The next one says it of both."""
    path = empty_shelf(tmp_path / "share")
    shelf = open_shelf(path, None)
    tokens = [left_by_a_dead_run(shelf.storage, boot=f"start {number}").token for number in (1, 2)]
    with hold(shelf, facts(boot="start 3"), Quiet(), "capture"):
        pass
    with hold(shelf, facts(boot="start 3"), Quiet(), "capture"):
        pass
    told = [event for event in read_manifest(shelf.storage).events if event.kind == "took-over"]
    assert [event.body["lock"] for event in told] == tokens
    assert {event.body["doing"] for event in told} == {"capture"}


def test_a_lock_says_nothing_that_does_not_fit(tmp_path: Path) -> None:
    long = replace(claim(), doing="é" * 100)
    lock = acquire(FolderStorage(tmp_path), long, beat_seconds=NEVER)
    assert (tmp_path / f"busy/{lock.generation:010}.json").stat().st_size == 1024
    lock.release()


def test_lock_that_the_share_lost_is_told_as_that(tmp_path: Path) -> None:
    storage = FolderStorage(tmp_path)
    lock = left_by_a_dead_run(storage)
    storage.unlink(f"busy/{lock.generation:010}.json")
    with pytest.raises(BackupctlError, match="has gone from the share") as told:
        lock.check()
    assert not isinstance(told.value, Busy)
