"""Captures of files, measured: a whole Debian root against tar and zstd, a night after it, and a million names.

The root is that of the bench's first card, mounted from a copy. A night comes after one file in a hundred was replaced
by another one, as large and as hard to compress, all over the tree.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

import bench_card
from bench_cache import built
from bench_run import MIB, QUICK, Bench, bytes_on, capture, run, shell

RECIPE = 1
ONE_IN = 100  # files that are other ones after a day
TAR, FIRST, NIGHT = "tar and zstd", "files: first capture", "files: nightly capture"
WHOLE_NIGHT = "files: nightly capture, confirm and read back"
MANY_FIRST, MANY_NIGHT = "a million files: first capture", "a million files: nightly capture, confirm"
FIRST_RATIO, NIGHT_RATIO, WRITTEN_RATIO = 1.1, 0.15, 0.05
RESIDENT = 128 * MIB
_FOLDERS, _EACH = 1000, 1000  # a million
_SETTLED_SECONDS = 4  # what was changed later is read again by the capture after


@contextmanager
def root_to_change(bench: Bench) -> Iterator[Path]:
    """The root of a copy of the first card."""
    card, place = bench.folder / "files.img", bench.folder / "root"
    subprocess.run(["cp", "--reflink=auto", "--sparse=always", bench.cards[0], card], check=True)
    place.mkdir()
    with bench_card.mounted_root(card, place):
        yield place
    card.unlink()


def one_round(bench: Bench, root: Path, number: int, written: dict[str, int]) -> None:
    """What `root` holds is changed."""
    archive = bench.folder / "files.tar.zst"
    run(shell(f"tar --xattrs --acls -c -C {root} . | cat > /dev/null"))  # into the page cache
    bench.measure(TAR, shell(f"tar --xattrs --acls -c -C {root} . | zstd -q -3 -T2 > {archive}; sync {archive}"))
    written[TAR] = archive.stat().st_size
    archive.unlink()
    share = bench.share("files")
    bench.measure(FIRST, capture(share, root, *QUICK))
    written[FIRST] = bytes_on(share)
    run(capture(share, root))  # by which what the first has written is confirmed
    _change(root, number)
    before = bytes_on(share)
    bench.measure(NIGHT, capture(share, root, *QUICK))
    written[NIGHT] = bytes_on(share) - before
    _change(root, number + 1000)
    bench.measure(WHOLE_NIGHT, capture(share, root, "--read-back"))
    shutil.rmtree(share)


def _change(root: Path, number: int) -> None:
    chance = random.Random(RECIPE + number)
    files = (path for path in sorted(root.rglob("*")) if path.is_file() and not path.is_symlink())
    for path in files:
        if chance.randrange(ONE_IN) == 0:
            bench_card.replace(path, bench_card.altered(path.read_bytes(), chance))
    os.sync()
    time.sleep(_SETTLED_SECONDS)


def million_files(bench: Bench, cache: Path) -> None:
    """Peak memory with a million names: small files, of which none changes but a few."""
    tree = built(cache / f"tree-{RECIPE}", _make_million)
    share = bench.share("files-million")
    bench.measure(MANY_FIRST, capture(share, tree))
    (tree / "folder-0500" / "file-0500").write_text(f"{time.time()}\n")
    bench.measure(MANY_NIGHT, capture(share, tree))
    shutil.rmtree(share)


def _make_million(tree: Path) -> None:
    for folder in range(_FOLDERS):
        place = tree / f"folder-{folder:04}"
        place.mkdir(parents=True)
        for file in range(_EACH):
            (place / f"file-{file:04}").write_bytes(b"%d of %d\n" % (file, folder))


def report(bench: Bench, written: dict[str, int]) -> str:
    first, night = bench.median(FIRST), bench.median(NIGHT)
    worked = {name: median(spent) for name, spent in bench.processor.items()}
    lines = ["| files | against | | | ratio | to reach |", "|---|---|---|---|---|---|"]
    for what, against, ours, theirs, most, unit in (
        (FIRST, TAR, first, bench.median(TAR), FIRST_RATIO, "s"),
        (NIGHT, FIRST, night, first, NIGHT_RATIO, "s"),
        (f"{FIRST}, processor", TAR, worked[FIRST], worked[TAR], None, "s"),
        (f"{NIGHT}, processor", FIRST, worked[NIGHT], worked[FIRST], None, "s"),
        (WHOLE_NIGHT, FIRST, bench.median(WHOLE_NIGHT), first, None, "s"),
        ("bytes written at first", TAR, written[FIRST] / MIB, written[TAR] / MIB, None, "MiB"),
        ("bytes written in a night", FIRST, written[NIGHT] / MIB, written[FIRST] / MIB, WRITTEN_RATIO, "MiB"),
    ):
        ratio = ours / theirs
        goal = "" if most is None else f"{most}{'' if ratio <= most else ' **missed**'}"
        lines.append(f"| {what} | {against} | {ours:.2f} {unit} | {theirs:.2f} {unit} | {ratio:.3f} | {goal} |")
    lines += ["", f"| peak resident ({RESIDENT // MIB} to reach) | MiB |", "|---|---|"]
    for name in (FIRST, NIGHT, WHOLE_NIGHT, MANY_FIRST, MANY_NIGHT):
        if name in bench.resident:
            size = bench.resident[name]
            lines.append(f"| {name} | {size / MIB:.0f}{'' if size <= RESIDENT else ' **missed**'} |")
    return "\n".join(lines)
