"""What goes on on a card in use: `python live_writers.py KIND PLACE SEED [PAUSE]` never ends by itself.

`python live_writers.py state PLACE` tells what was left. Python's own library only: it runs on the virtual board too.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import mmap
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

COUNTERS = ("counter-a", "counter-b", "counter-c")
PAIR = ("boot/pair", "pair")
DATABASES = ("wal", "delete")
PACKAGE_FILES = tuple(f"file{number:02}" for number in range(40))
PACKAGE_LIST = "list"
_PAGE = 4096


def _database(mode: str) -> Callable[[Path, random.Random], Iterator[None]]:
    def write(place: Path, rng: random.Random) -> Iterator[None]:
        database = sqlite3.connect(place / f"{mode}.db", isolation_level=None)
        database.execute(f"PRAGMA journal_mode={mode}")
        database.execute("PRAGMA synchronous=FULL")
        database.execute("CREATE TABLE IF NOT EXISTS reading (number INTEGER PRIMARY KEY, noise BLOB)")
        while True:
            database.execute("BEGIN")
            for _ in range(rng.randrange(1, 30)):
                database.execute("INSERT INTO reading (noise) VALUES (?)", (rng.randbytes(rng.randrange(3000)),))
            database.execute("DELETE FROM reading WHERE number < (SELECT max(number) FROM reading) - 2000")
            database.execute("COMMIT")
            yield

    return write


def _files(place: Path, rng: random.Random) -> Iterator[None]:
    """Creates, appends to, renames (over another), truncates and deletes."""
    while True:
        path, other = (place / f"file{rng.randrange(60)}" for _ in range(2))
        match rng.randrange(5):
            case 0:
                path.write_bytes(rng.randbytes(rng.randrange(300_000)))
            case 1:
                with path.open("ab") as file:
                    file.write(rng.randbytes(rng.randrange(50_000)))
            case 2 if path.exists():
                path.rename(other)
            case 3 if path.exists():
                os.truncate(path, rng.randrange(400_000))
            case 4:
                path.unlink(missing_ok=True)
        yield


def _directories(place: Path, rng: random.Random) -> Iterator[None]:
    while True:
        folder = place / f"folder{rng.randrange(6)}"
        if folder.exists() and rng.random() < 0.3:
            shutil.rmtree(folder)
        else:
            deep = folder / str(rng.randrange(4)) / "deep"
            deep.mkdir(parents=True, exist_ok=True)
            for _ in range(20):
                (deep / f"a name that takes its place {rng.randrange(500)}").write_bytes(b"x")
        yield


def _mapped(place: Path, rng: random.Random) -> Iterator[None]:
    with (place / "mapped").open("w+b") as file:
        file.truncate(4 << 20)
        with mmap.mmap(file.fileno(), 4 << 20) as memory:
            while True:
                at = rng.randrange(len(memory) - 2000)
                memory[at : at + 2000] = rng.randbytes(2000)
                yield


def _direct(place: Path, rng: random.Random) -> Iterator[None]:
    fd = os.open(place / "direct", os.O_RDWR | os.O_CREAT | os.O_DIRECT)
    with mmap.mmap(-1, 16 * _PAGE) as memory:
        while True:
            memory[:] = rng.randbytes(16 * _PAGE)
            os.pwrite(fd, memory, rng.randrange(128) * _PAGE)
            yield


def _deleted(place: Path, rng: random.Random) -> Iterator[None]:
    """Files that are held open and have no name any more."""
    held: list[int] = []
    while True:
        path = place / "soon-gone"
        held.append(os.open(path, os.O_RDWR | os.O_CREAT))
        path.unlink()
        if len(held) > 12:
            os.close(held.pop(rng.randrange(len(held))))
        for fd in held:
            os.write(fd, rng.randbytes(rng.randrange(9000)))
        yield


def _trim(place: Path, rng: random.Random) -> Iterator[None]:
    while True:
        time.sleep(rng.uniform(0.1, 0.5))
        subprocess.run(["fstrim", str(place)], check=True)
        yield


def _swap(place: Path, rng: random.Random) -> Iterator[None]:
    """A swap file that comes and goes, of blocks that are written (zeros) or only reserved."""
    path = place / "swap"
    while True:
        with path.open("wb") as file:
            if rng.random() < 0.5:
                file.write(bytes(3 << 20))
            else:
                os.posix_fallocate(file.fileno(), 0, 3 << 20)
        path.chmod(0o600)
        subprocess.run(["mkswap", "-q", str(path)], check=True, stdout=subprocess.DEVNULL)
        # With fast_commit, a file that is new may not be taken for a moment (EINVAL).
        if subprocess.run(["swapon", str(path)], stderr=subprocess.DEVNULL, check=False).returncode == 0:
            time.sleep(rng.uniform(0.2, 1.5))
            subprocess.run(["swapoff", str(path)], check=True)
        path.unlink()
        yield


def _counters(place: Path, rng: random.Random) -> Iterator[None]:
    return _counted(place, COUNTERS)


def _counted(place: Path, names: tuple[str, ...]) -> Iterator[None]:
    """One number in several files, each synced before the next is written."""
    fds = [os.open(place / name, os.O_RDWR | os.O_CREAT) for name in names]
    number = 0
    while True:
        number += 1
        for fd in fds:
            os.pwrite(fd, number.to_bytes(8, "little"), 0)
            os.fsync(fd)
        yield


def _packages(place: Path, rng: random.Random) -> Iterator[None]:
    """As package managers upgrade: new files beside the old ones, synced, then renamed over them; the list last."""
    folder = place / "packages"
    folder.mkdir(exist_ok=True)
    version = 0
    while True:
        version += 1
        for name in PACKAGE_FILES:
            _write_synced(folder / f"{name}.new", version, rng)
        for name in PACKAGE_FILES:
            (folder / f"{name}.new").rename(folder / name)
        _sync_folder(folder)
        _write_synced(folder / f"{PACKAGE_LIST}.new", version, rng)
        (folder / f"{PACKAGE_LIST}.new").rename(folder / PACKAGE_LIST)
        _sync_folder(folder)
        yield


def _write_synced(path: Path, version: int, rng: random.Random) -> None:
    """Its version, noise, and a sum of both."""
    content = version.to_bytes(8, "little") + rng.randbytes(rng.randrange(20_000))
    with path.open("wb") as file:
        file.write(content + hashlib.sha256(content).digest())
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    os.fsync(fd)
    os.close(fd)


def _pair(place: Path, rng: random.Random) -> Iterator[None]:
    """The folder of the first may be on another file system: the board's boot partition."""
    (place / "boot").mkdir(exist_ok=True)
    return _counted(place, PAIR)


WRITERS = {
    **{f"database-{mode}": _database(mode) for mode in DATABASES},
    "files": _files,
    "directories": _directories,
    "mapped": _mapped,
    "direct": _direct,
    "deleted": _deleted,
    "trim": _trim,
    "swap": _swap,
    "counters": _counters,
    "packages": _packages,
    "pair": _pair,
}


def state_of(place: Path) -> dict[str, object]:
    """What some of them have left. Raises ValueError for a file that no upgrade wrote, sqlite3.Error."""
    databases = {}
    for mode in DATABASES:
        with contextlib.closing(sqlite3.connect(place / f"{mode}.db")) as database:
            assert database.execute("SELECT count(*) FROM reading").fetchone()[0] > 0
            (databases[mode],) = (row[0] for row in database.execute("PRAGMA integrity_check"))

    def numbers(names: tuple[str, ...]) -> list[int]:
        return [int.from_bytes((place / name).read_bytes(), "little") for name in names]

    return {
        "databases": databases,
        "counters": numbers(COUNTERS),
        "pair": numbers(PAIR),
        "packages": [_version_of(place / "packages" / name) for name in (*PACKAGE_FILES, PACKAGE_LIST)],
    }


def _version_of(path: Path) -> int:
    text = path.read_bytes()
    if hashlib.sha256(text[:-32]).digest() != text[-32:]:
        raise ValueError(f"{path}: {len(text)} bytes that no upgrade wrote")
    return int.from_bytes(text[:8], "little")


def main(kind: str, place: str, seed: str = "", pause: str = "0.01") -> None:
    """`pause`: seconds between two steps, at most."""
    if kind == "state":
        print(json.dumps(state_of(Path(place))))
        return
    rng = random.Random(seed)
    for _ in WRITERS[kind](Path(place), rng):
        time.sleep(rng.uniform(0, float(pause)))


if __name__ == "__main__":
    main(*sys.argv[1:])
