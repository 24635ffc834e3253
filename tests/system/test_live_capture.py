"""A card in use is captured as it was in one instant: held against a copy of the whole card that was made in it.

`e2fsck -fn` alone is no judge of that: it sees no content of files, and takes a file that is open and deleted for an
error.
"""

from __future__ import annotations

import dataclasses
import os
import random
import sqlite3
import statistics
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing import live_card
from backupctl.operations.capturing.live import LiveReading
from backupctl.operations.card_map import read_card_map
from tests.card_images import take_out
from tests.system.frozen_card import sparse, wait_until_detached
from tests.system.live_board import (
    MIB,
    MKFS,
    LiveBoard,
    Oracle,
    Taken,
    differing,
    files_in,
    journal_body,
    live_board,
    places_of,
    swaps_below,
    take,
    writers,
)
from tests.system.live_writers import COUNTERS, DATABASES, WRITERS
from tests.system.loop_device import attached, mounted, need, tool
from tests.system.preening import preens

pytestmark = pytest.mark.system

ALONE = bool(os.environ.get("BACKUPCTL_LONG"))  # a run of everything shares the processors with the virtual board
RUNS = 20 if ALONE else 3
MOST_FROZEN, MOST_FROZEN_ONCE = (0.25, 1.0) if ALONE else (1.0, 2.0)  # seconds
SEED = random.SystemRandom().randrange(1 << 32)

frozen: list[float] = []  # of each run here, without the oracle's own work


def judged(taken: Taken, oracle: Oracle, journal: bool = True) -> None:
    """Everything that must hold for a capture with an oracle."""
    board = oracle.board
    assert taken.record["state"] == "good"
    assert taken.record["source"]["live"] == "tracked"
    assert not differing(taken, oracle)
    assert not journal or not journal_body(oracle) - taken.zeroed
    counters_hold(taken, oracle)
    databases_hold(taken.image, board)
    preens(take_out(taken.image, board.volume, board.folder / "volume.img"), journal)
    frozen.append(taken.record["frozen_seconds"] - oracle.seconds)


def counters_hold(taken: Taken, oracle: Oracle) -> None:
    if not oracle.counters:
        return
    first, second, third = (int.from_bytes(text, "little") for text in oracle.counters)
    assert first >= second >= third >= first - 1 > 0
    folder = files_in(taken.image, oracle.board, list(COUNTERS), oracle.board.folder / "counters")
    assert [(folder / name).read_bytes() for name in COUNTERS] == oracle.counters


def databases_hold(image: Path, board: LiveBoard) -> None:
    names = [f"{mode}.db" for mode in DATABASES if (board.root / f"{mode}.db").exists()]
    logs = [f"{name}{suffix}" for name in names for suffix in ("-wal", "-journal")]
    folder = files_in(image, board, names + logs, board.folder / "databases")
    for name in names:
        with closing(sqlite3.connect(folder / name)) as database:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert database.execute("SELECT count(*) FROM reading").fetchone()[0] > 0


@pytest.mark.parametrize("number", range(RUNS))
def test_all_that_is_in_use_is_as_in_the_instant(tmp_path: Path, number: int) -> None:
    with live_board(tmp_path) as board, writers(board.root, SEED + number):
        oracle = Oracle(board)
        judged(take(board, oracle), oracle)


@pytest.mark.parametrize(
    ("mkfs", "mount"),
    [
        (("-O", "^has_journal"), ""),
        ((), "data=journal"),
        (("-O", "fast_commit"), ""),
        (("-b", "1024"), ""),
    ],
)
def test_kinds_of_ext4(tmp_path: Path, mkfs: tuple[str, ...], mount: str) -> None:
    journal = "^has_journal" not in mkfs
    # Without a journal it is read whole, and what is trimmed counts as written.
    kinds = [kind for kind in WRITERS if journal or kind != "trim"]
    with live_board(tmp_path, (*MKFS, *mkfs), mount) as board, writers(board.root, SEED, *kinds):
        oracle = Oracle(board)
        judged(take(board, oracle), oracle, journal)


def test_a_file_system_in_a_file_of_the_card(tmp_path: Path) -> None:
    with live_board(tmp_path) as board:
        inside = sparse(board.root / "inside.img", 24 * MIB)
        with attached(inside) as loop:
            tool("mke2fs", "-q", "-t", "ext4", loop)
            with mounted(loop, tmp_path / "inner") as inner, writers(inner, SEED, "files", "directories"):
                oracle = Oracle(board)
                with writers(board.root, SEED, "files", "database-wal"):
                    taken = take(board, oracle)
                    judged(taken, oracle)
        wait_until_detached(loop)
        preens(files_in(taken.image, board, ["inside.img"], tmp_path / "inside") / "inside.img", journal=True)


SWAP_BYTES = 3 * MIB
SWAP_BECOMES_DATA = """
swapoff {root}/swap && mv {root}/swap {root}/data
dd if=/dev/urandom of={root}/data bs=1M count=3 conv=notrunc oflag=direct iflag=fullblock status=none
"""
DATA_BECOMES_SWAP = "mv {root}/data {root}/swap && mkswap -q {root}/swap && swapon {root}/swap"


@pytest.mark.parametrize(("name", "midway"), [("swap", SWAP_BECOMES_DATA), ("data", DATA_BECOMES_SWAP)])
def test_a_swap_file_that_becomes_another_file_midway(tmp_path: Path, name: str, midway: str) -> None:
    """Or the other way round, between all rounds and the freeze: what counts is what it is in the instant."""
    need("mkswap", "swapon")
    with live_board(tmp_path) as board:
        path, became = board.root / name, {"swap": "data", "data": "swap"}[name]
        path.write_bytes(os.urandom(SWAP_BYTES))
        path.chmod(0o600)
        os.sync()
        try:
            if name == "swap":
                tool("mkswap", "-q", path)
                tool("swapon", path)
            oracle = Oracle(board)
            taken = take(board, oracle, before=("sh", "-ec", midway.format(root=board.root)))
            judged(taken, oracle)
            found = (files_in(taken.image, board, ["swap", "data"], tmp_path / "files") / became).read_bytes()
            whole = (board.root / became).read_bytes()
        finally:
            for swap in swaps_below(board.root):
                tool("swapoff", board.root / swap)
        assert len(whole) == SWAP_BYTES
        header = os.sysconf("SC_PAGE_SIZE")
        assert found == (whole if name == "swap" else whole[:header] + bytes(SWAP_BYTES - header))


def test_it_stands_still_for_a_moment_only() -> None:
    if len(frozen) < RUNS:
        pytest.fail("the tests above have not all run, or not all passed")
    print(f"frozen: median {statistics.median(frozen):.3f} s, longest {max(frozen):.3f} s of {len(frozen)}")
    assert statistics.median(frozen) <= MOST_FROZEN
    assert max(frozen) <= MOST_FROZEN_ONCE


# Between all rounds and the freeze, the policy's command writes to one place of a file, past the cache. All controls
# are of that one write.
MARKED_AT, MARKED_BYTES = 32 * MIB, 1 << 20


def marking(board: LiveBoard) -> tuple[tuple[str, ...], Ranges]:
    """The command, and the bytes of the card that it writes to, by filefrag."""
    places = []
    for start, at, length in places_of(board, "noise"):
        low, high = max(start, MARKED_AT), min(start + length, MARKED_AT + MARKED_BYTES)
        if low < high:
            places.append((at - start + low, at - start + high))
    marked = Ranges(places)
    assert marked.total == MARKED_BYTES
    words = ["dd", "if=/dev/urandom", f"of={board.root}/noise", "bs=1M", "count=1", f"seek={MARKED_AT // MIB}"]
    return (*words, "conv=notrunc,nocreat", "oflag=direct", "iflag=fullblock", "status=none"), marked


def test_one_write_before_the_freeze(tmp_path: Path) -> None:
    with live_board(tmp_path) as board:
        before, _ = marking(board)
        oracle = Oracle(board)
        judged(take(board, oracle, before=before), oracle)


def test_the_same_is_found_wrong_when_nobody_told_of_the_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with live_board(tmp_path) as board:
        before, marked = marking(board)
        deaf = partial(WriteTracker, keep=lambda start, end: not marked.touches(start, end))
        monkeypatch.setattr(live_card, "WriteTracker", deaf)
        oracle = Oracle(board)
        assert differing(take(board, oracle, before=before), oracle) == marked


def test_the_same_is_found_wrong_when_nothing_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(LiveReading, "_forget", lambda self, written: None)
    with live_board(tmp_path) as board:
        before, marked = marking(board)
        oracle = Oracle(board)
        assert not marked - differing(take(board, oracle, before=before), oracle)


def test_the_same_is_found_wrong_when_the_journal_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its bytes are as they were in the instant, so nothing else that is judged would find it."""
    monkeypatch.setattr(
        live_card, "read_card_map", lambda *given: dataclasses.replace(read_card_map(*given), zero=Ranges())
    )
    with live_board(tmp_path, filled=8 * MIB) as board:
        oracle = Oracle(board)
        taken = take(board, oracle)
        assert not differing(taken, oracle)
        assert journal_body(oracle) - taken.zeroed == journal_body(oracle)
