"""Real ext2/3/4 file systems for tests, made by mke2fs and debugfs, and what dumpe2fs says of them."""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.formats.reader import check_bounds

NEEDED = ("mke2fs", "dumpe2fs", "debugfs", "e2fsck")
MIB = 1 << 20


def require_tools() -> None:
    for tool in NEEDED:
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} (e2fsprogs) is not installed")


def run(*arguments: str | Path) -> str:
    """A tool's output; its success is required."""
    environment = {**os.environ, "LC_ALL": "C", "DEBUGFS_PAGER": "cat"}
    done = subprocess.run(
        [str(argument) for argument in arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        env=environment,
        check=False,
    )
    assert done.returncode == 0, f"{arguments}: {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
    return done.stdout


class FileReader:
    """ReadAt over a file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.size = path.stat().st_size

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        with self._path.open("rb") as file:
            file.seek(offset)
            return file.read(length)


def make_tree(folder: Path) -> Path:
    """Invented files of many sizes, every second of which `make` deletes again."""
    rng = random.Random(20)
    for number in range(120):
        place = folder / f"room{number % 7}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"reading{number:03}").write_bytes(rng.randbytes(rng.choice((10, 900, 5000, 20000, 70000, 150000))))
    return folder


def make(path: Path, blocks: str, *options: str, tree: Path | None = None, tail: int = 0) -> Path:
    """A file system of the size `blocks` (as mke2fs takes it) in a new file, `tail` bytes longer than it.

    With a tree, the file system holds it, but for every second file: that leaves its bitmaps in pieces.
    """
    filled = ("-d", tree) if tree else ()
    run("mke2fs", "-q", "-F", "-L", "rooftop", *options, *filled, path, blocks)
    if tree:
        files = sorted(file.relative_to(tree) for file in tree.rglob("reading*"))
        script = path.with_suffix(".debugfs")
        script.write_text("".join(f"rm /{file}\n" for file in files[::2]))
        run("debugfs", "-w", "-f", script, path)
    if tail:
        with path.open("ab") as file:
            file.write(b"\xa5" * tail)
    return path


def fields(path: Path) -> dict[str, str]:
    """The header that `dumpe2fs -h` prints."""
    pairs = (line.split(":", 1) for line in run("dumpe2fs", "-h", path).splitlines() if ":" in line)
    return {name.strip(): value.strip() for name, value in pairs}


def free_by_dumpe2fs(path: Path) -> Ranges:
    """Free bytes, by the lists "Free blocks:" that dumpe2fs prints for each group (inclusive block numbers)."""
    header = fields(path)
    size = int(header["Block size"])
    # With bigalloc dumpe2fs names clusters by their first block, the last one of a run too.
    ratio = int(header.get("Cluster size", size)) // size
    last = int(header["Block count"])
    pairs = []
    for line in re.findall(r"^  Free blocks: (.*)$", run("dumpe2fs", path), re.MULTILINE):
        for run_of_blocks in filter(None, line.strip().split(", ")):
            start, _, end = run_of_blocks.partition("-")
            pairs.append((int(start) * size, min(int(end or start) + ratio, last) * size))
    return Ranges(pairs)


def journal_by_debugfs(path: Path) -> list[tuple[int, int]]:
    """Block ranges of the journal in its order, as `debugfs -R "stat <8>"` prints them, inclusive: (0-11):530-541."""
    pieces = re.findall(r"\(\d+(?:-\d+)?\):(\d+)(?:-(\d+))?", run("debugfs", "-R", "stat <8>", path))
    return [(int(start), int(end or start) + 1) for start, end in pieces]
