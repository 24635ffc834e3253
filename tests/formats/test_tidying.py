"""`thin --tidy` as it is typed: it gives back at once the trash, what a killed run left, and what is dead."""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.program import backupctl, command, environment
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

CELL = 256 << 10  # bytes; one segment each, and noise is stored as it is
CELLS = 12


def test_it_empties_the_trash(hurt: Made) -> None:
    backupctl(hurt.share, "discard", hurt.captures[0], "--yes")
    trash = hurt.shelf / "trash"
    assert [path for path in trash.rglob("*") if path.is_file()]
    shown = backupctl(hurt.share, "thin", "--tidy", "--yes").out
    assert not list(trash.iterdir())
    assert "given back" in shown
    assert "trash" not in shown


class Pantry:
    """A share with a shelf of one board, whose card is noise, and what was captured of it."""

    def __init__(self, folder: Path) -> None:
        self.share, self.card = folder / "share", folder / "card.img"
        self.shelf = self.share / "boards" / "pantry"
        self.share.mkdir()
        backupctl(None, "share", "adopt", self.share, "--same-machine", "--board", "pantry")
        self.contents: dict[str, bytes] = {}

    def write(self, versions: list[int]) -> None:
        self.card.write_bytes(b"".join(random.Random(f"{n} {v}").randbytes(CELL) for n, v in enumerate(versions)))

    def words(self, source: Path, *more: str | Path) -> list[str | Path]:
        return ["capture", "--board", "pantry", "--source", source, "--quiet", *more]

    def capture(self) -> str:
        # A card without a file system that is known is read whole, which is a warning.
        id = str(backupctl(self.share, *self.words(self.card, "--json"), code=4).json["id"])
        self.contents[id] = self.card.read_bytes()
        return id

    def stock(self) -> list[Path]:
        return [path for path in (self.shelf / "stock").iterdir() if ".table." not in path.name]

    def killed_capture(self, folder: Path) -> None:
        """Of another card, killed when it has begun to write."""
        card, policy = folder / "other.img", folder / "slowly.toml"
        card.write_bytes(random.Random(7).randbytes(64 * CELL))
        policy.write_text('[pace]\nrate = "2 MiB"\n[store]\nsync_every = "1 MiB"\n')
        before = set(self.stock())
        words = command(*self.words(card, "--policy", policy))
        run = subprocess.Popen(words, env=environment(self.share), start_new_session=True, stderr=subprocess.DEVNULL)
        wait_for(lambda: any(path.stat().st_size > CELL for path in set(self.stock()) - before))
        os.killpg(run.pid, signal.SIGKILL)
        run.wait()

    def bytes_but_lock(self) -> int:
        """Of what a tidying may give back; without what each run leaves behind it."""
        folders = [self.shelf / name for name in ("stock", "trash", "captures")]
        return sum(path.stat().st_size for folder in folders for path in folder.rglob("*") if path.is_file())


def wait_for(happened: Callable[[], bool]) -> None:
    until = time.monotonic() + 60
    while not happened():
        assert time.monotonic() < until
        time.sleep(0.005)


def in_bytes(said: str) -> float:
    number, unit = said.split()
    return float(number) * {"byte": 1, "bytes": 1, "KiB": 1 << 10, "MiB": 1 << 20}[unit]


def test_without_it_the_trash_is_emptied_a_day_and_two_runs_later(hurt: Made) -> None:
    backupctl(hurt.share, "discard", hurt.captures[0], "--yes")
    [tray] = (hurt.shelf / "trash").iterdir()
    for _ in range(2):
        backupctl(hurt.share, "thin", "--yes")
    assert tray.exists(), "two runs, and no day"
    long_ago = time.time() - 86_400
    os.utime(tray / "tray.json", (long_ago, long_ago))
    assert "given back" in backupctl(hurt.share, "thin", "--yes").out
    assert not tray.exists()


def test_a_part_of_which_nothing_was_written_is_no_damage(hurt: Made) -> None:
    """A run that was killed when it had only made the file."""
    empty = hurt.shelf / "stock" / f"{'0a' * 10}.zst"
    empty.touch()
    assert backupctl(hurt.share, "show", hurt.capture(), "--json").json["warnings"] == []
    assert "warning" not in backupctl(hurt.share, "thin", "--tidy", "--yes").out
    assert not empty.exists()


def test_it_gives_all_room_back_at_once(tmp_path: Path) -> None:
    pantry = Pantry(tmp_path)
    never = tmp_path / "never.toml"
    never.write_text("[space]\nrewrite_traffic = 0\n")  # by itself; --tidy moves what there is to move
    pantry.write([0] * CELLS)
    first = pantry.capture()
    pantry.killed_capture(tmp_path)
    pantry.write([0] * 3 + [1] * 9)  # nine of the twelve that the first one wrote are needed by nobody else
    second = pantry.capture()
    backupctl(pantry.share, "discard", first, "--yes")
    backupctl(pantry.share, "thin", "--policy", never, "--yes")
    assert len(pantry.stock()) == 3, "without being told to, it waits: the killed run may be gone on with"

    before = pantry.bytes_but_lock()
    shown = " ".join(backupctl(pantry.share, "thin", "--tidy", "--dry-run", "--policy", never).out.split())
    assert pantry.bytes_but_lock() == before
    backupctl(pantry.share, "thin", "--tidy", "--yes", "--policy", never)
    freed = before - pantry.bytes_but_lock()
    said = re.search(r"That would make (\S+ \S+) of the share free, at once", shown)
    assert said
    assert in_bytes(said[1]) == pytest.approx(freed, rel=0.01)
    # What is left is what the one capture needs: twelve segments of noise, and no more than 1 % around them.
    assert CELLS * CELL < pantry.bytes_but_lock() < 1.01 * CELLS * CELL
    assert list((pantry.shelf / "trash").iterdir()) == []
    target = tmp_path / "back.img"
    backupctl(pantry.share, "restore", second, target)
    assert target.read_bytes() == pantry.contents[second]
    backupctl(pantry.share, "verify")
