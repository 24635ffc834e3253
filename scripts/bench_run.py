"""One command, measured: how long it took and how much memory, on shares that are folders."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import bench_card

BOARD = "bench"
PROGRAM = str(Path(sys.executable).with_name("backupctl"))
PICKED = "/usr/share/common-licenses/Apache-2.0"  # 10 KB; in every Debian
MIB = 1 << 20


@dataclass(frozen=True)
class Spent:
    """What one command took: wall time in seconds, the largest resident size of any of its processes in bytes.

    `processor`: seconds of all its processes together, which other work on the machine changes little.
    """

    seconds: float
    processor: float
    resident: int
    output: str


class Bench:
    def __init__(self, folder: Path, cards: list[Path]) -> None:
        self.folder = folder
        self.cards = cards
        self.seconds: dict[str, list[float]] = defaultdict(list)
        self.processor: dict[str, list[float]] = defaultdict(list)
        self.resident: dict[str, int] = defaultdict(int)
        self.root_start = bench_card.ROOT_START
        self.picked = PICKED
        self.segments_picked = 0  # read for one file
        self.bytes_picked = 0

    def measure(self, name: str, command: list[str], prepare: Callable[[], None] | None = None) -> str:
        """Runs `command`, notes what it took under `name`; its output. Raises SystemExit if it fails."""
        os.sync()  # what was written before is not paid for by this one
        spent = run(command, prepare)
        self.seconds[name].append(spent.seconds)
        self.processor[name].append(spent.processor)
        self.resident[name] = max(self.resident[name], spent.resident)
        print(f"  {name}: {spent.seconds:.2f} s, {spent.resident / MIB:.0f} MiB", file=sys.stderr)
        return spent.output

    def median(self, name: str) -> float:
        return statistics.median(self.seconds[name])

    def share(self, name: str, like: Path | None = None) -> Path:
        """A new share; with the same files as `like`, if given (as links: nothing on a share is ever changed)."""
        share = self.folder / name
        shutil.rmtree(share, ignore_errors=True)
        if like is None:
            share.mkdir(parents=True)
            run([PROGRAM, "share", "adopt", str(share), "--same-machine", "--board", BOARD])
        else:
            subprocess.run(["cp", "-al", str(like), str(share)], check=True)
        return share


def warm(*paths: Path) -> None:
    """Puts what the files hold into the page cache; not their holes, which would push out everything else."""
    for path in paths:
        with path.open("rb", buffering=0) as file:
            size = path.stat().st_size
            at = _seek(file.fileno(), 0, os.SEEK_DATA, size)
            while at < size:
                end = _seek(file.fileno(), at, os.SEEK_HOLE, size)
                file.seek(at)
                while at < end:
                    at += len(file.read(min(4 * MIB, end - at)))
                at = _seek(file.fileno(), end, os.SEEK_DATA, size)


def _seek(descriptor: int, offset: int, whence: int, size: int) -> int:
    try:
        return os.lseek(descriptor, offset, whence)
    except OSError:  # no data from here on
        return size


def cool(*paths: Path) -> None:
    """Takes files out of the page cache."""
    for path in paths:
        descriptor = os.open(path, os.O_RDONLY)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)


def parts_of(share: Path) -> list[Path]:
    return sorted(path for path in share.glob("boards/*/stock/*.zst") if ".table." not in path.name)


def run(command: list[str], prepare: Callable[[], None] | None = None) -> Spent:
    began = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, preexec_fn=prepare)
    assert process.stdout is not None
    output = process.stdout.read().decode()
    # wait4 and not wait: it tells the largest resident size, of the process and of those that it waited for.
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.monotonic() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 4):  # 4: done, with warnings
        sys.exit(f"{' '.join(command)} ended with {process.returncode}\n{output}")
    return Spent(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024, output)


def capture(share: Path, card: Path, *options: str) -> list[str]:
    named = ["--share", str(share), "--board", BOARD, "--source", str(card)]
    return [PROGRAM, "capture", *named, "--json", "--quiet", *options]


def on_share(share: Path, command: str, *arguments: str) -> list[str]:
    return [PROGRAM, command, *arguments, "--share", str(share), "--board", BOARD, "--json", "--quiet"]


def bytes_on(share: Path) -> int:
    return sum(path.stat().st_size for path in share.rglob("*") if path.is_file())


# As the sketch that the aims come from: nothing is read again.
QUICK = ("--no-read-back", "--no-confirm")


def shell(command: str) -> list[str]:
    return ["sh", "-c", command]
