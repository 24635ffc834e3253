"""Measures the program on a real card against plain tools, and prints a table. Run it by `scripts/bench`.

Every ratio is of medians of one run of this script: in each round every command runs once, one after the other. Cards,
and what is restored from, are in the page cache; what is verified is not, since verification always reads past it. All
that writes ends when its output is on the disk. The share is a folder: what a network adds is not in these figures.
"""

from __future__ import annotations

import argparse
import json
import os
import shlex
import shutil
import sys
from pathlib import Path

import bench_card
import bench_files
import bench_shelf
from bench_run import (
    MIB,
    PICKED,
    PROGRAM,
    QUICK,
    Bench,
    bytes_on,
    capture,
    cool,
    on_share,
    parts_of,
    run,
    shell,
    warm,
)

MEMORY_LIMIT = 256 * MIB
MILLION = 1_000_000
MANY = f"{bench_shelf.CAPTURES} captures"
MANY_SECONDS, MANY_RESIDENT = 5, 128 * MIB
A_YEAR, A_YEAR_SECONDS = "one year simulated", 3
DRILL, DRILL_AGAINST, DRILL_RATIO = "drill", "restore, then e2fsck", 1.5
PICK, PICK_SECONDS, PICK_SEGMENTS = "pick", 1.0, 30
# A million segments are too large for a test as 1 MiB each; 4 KiB each make the same lists.
SMALL_SEGMENT = 4096
SMALL_SEGMENTS_PROGRAM = (
    f"import backupctl.domain.segments as s; s.SEGMENT_BYTES = {SMALL_SEGMENT}\n"
    "from backupctl.cli.main import main\nmain()"
)


def one_round(bench: Bench, written: dict[str, int]) -> None:
    first_day, second_day, third_day = bench.cards
    whole = bench.folder / "whole.zst"
    warm(first_day)
    bench.measure("whole card", shell(f"dd if={first_day} bs=4M status=none | zstd -q -3 -T2 > {whole}; sync"))
    written["whole card"] = whole.stat().st_size

    share = bench.share("first")
    warm(first_day)
    bench.measure("first capture", capture(share, first_day, *QUICK))
    written["first capture"] = bytes_on(share)
    parts = parts_of(share)
    cool(*parts)
    bench.measure("zstd -t", ["zstd", "-tq", *map(str, parts)])
    cool(*parts)
    bench.measure("verify", on_share(share, "verify", "newest"))
    restored = bench.folder / "restored.img"
    warm(whole)
    bench.measure("unpack whole", shell(f"zstd -dcq {whole} | dd of={restored} bs=4M conv=sparse,fsync status=none"))
    restored.unlink()
    warm(*parts)
    bench.measure("restore", on_share(share, "restore", "newest", str(restored)))
    restored.unlink()
    warm(*parts)
    bad_day(bench, share, restored)
    warm(first_day)
    bench.measure("first capture, read back", capture(bench.share("read-back"), first_day, "--read-back"))

    # A steady state: everything but the last run's parts has been confirmed by the run after it.
    run(capture(share, first_day))
    confirmed = bench.share("second", like=share)
    before = bytes_on(confirmed)
    warm(second_day)
    bench.measure("nightly capture", capture(confirmed, second_day, *QUICK))
    written["nightly capture"] = bytes_on(confirmed) - before
    warm(third_day)
    bench.measure("nightly capture, confirm and read back", capture(confirmed, third_day, "--read-back"))

    bench.measure("import typer", [sys.executable, "-c", "import typer"])
    bench.measure("--help", [PROGRAM, "--help"])


def bad_day(bench: Bench, share: Path, restored: Path) -> None:
    """What proves a capture beforehand, and one file out of it. What is restored from is in the page cache."""
    checked = shlex.join(["e2fsck", "-fn", f"{restored}?offset={bench.root_start}"])
    restore = shlex.join(on_share(share, "restore", "newest", str(restored)))
    bench.measure(DRILL_AGAINST, shell(f"{restore} && {checked} >/dev/null"))
    restored.unlink()
    bench.measure(DRILL, on_share(share, "drill", "newest", "--scratch", str(bench.folder)))
    picked = bench.folder / "picked"
    told = json.loads(bench.measure(PICK, on_share(share, "pick", "newest", bench.picked, str(picked))))
    bench.segments_picked = max(bench.segments_picked, told["segments_read"])
    bench.bytes_picked = told["total_bytes"]
    picked.unlink()


def bad_day_only(bench: Bench, rounds: int) -> None:
    share = bench.share("bad-day")
    run(capture(share, bench.cards[0], *QUICK))
    warm(*parts_of(share))
    for _ in range(rounds):
        bad_day(bench, share, bench.folder / "restored.img")
    drilled = compared(bench, DRILL, DRILL_AGAINST, DRILL_RATIO)
    print("\n".join([_machine(rounds), "", *COMPARED, drilled, "", report_pick(bench)]))


def start_of_last_partition(card: Path) -> int:
    """Byte of the card, by sfdisk."""
    table = json.loads(run(["sfdisk", "--json", str(card)]).output)["partitiontable"]
    return int(max(part["start"] for part in table["partitions"])) * int(table.get("sectorsize", 512))


def one_core(bench: Bench) -> None:
    """The first capture on one core and in 256 MiB."""
    share = bench.share("one-core")
    command = ["taskset", "--cpu-list", "0", *capture(share, bench.cards[0], *QUICK)]
    group = _memory_group()
    if group is not None:
        try:
            bench.measure("one core", command, lambda: _join(group))
        finally:
            group.rmdir()
    elif Path("/run/systemd/system").is_dir():
        limit = ["--property", f"MemoryMax={MEMORY_LIMIT}", "--property", "MemorySwapMax=0"]
        bench.measure("one core", ["systemd-run", "--scope", "--quiet", *limit, *command])
    else:
        print("one core: not measured, no control group can be made here", file=sys.stderr)


def _join(group: Path) -> None:
    (group / "cgroup.procs").write_text(str(os.getpid()))


def _memory_group() -> Path | None:
    """A control group (version 1) below our own, limited; None where there is no such hierarchy."""
    for line in Path("/proc/self/cgroup").read_text().splitlines():
        _, controllers, path = line.split(":", 2)
        group = Path("/sys/fs/cgroup/memory") / path.lstrip("/") / "backupctl-bench"
        if controllers == "memory" and group.parent.is_dir():
            group.mkdir(exist_ok=True)
            (group / "memory.limit_in_bytes").write_text(str(MEMORY_LIMIT))
            return group
    return None


def million_segments(bench: Bench) -> None:
    """Peak memory with a million segments in use: 4 GiB of noise in segments of 4 KiB."""
    card = bench.folder / "million.img"
    with card.open("wb") as file:
        for _ in range(MILLION * SMALL_SEGMENT // (4 * MIB) + 1):
            file.write(os.urandom(4 * MIB))
    share = bench.share("million")
    small = [sys.executable, "-c", SMALL_SEGMENTS_PROGRAM]
    bench.measure("million: capture", small + capture(share, card)[1:])
    bench.measure("million: capture again, confirm", small + capture(share, card)[1:])
    card.unlink()
    bench.measure("million: verify", on_share(share, "verify", "newest"))
    bench.measure("million: restore", on_share(share, "restore", "newest", str(card)))
    card.unlink()
    shutil.rmtree(share)


def many_captures(bench: Bench, share: Path) -> None:
    """A shelf of 400 captures of 60 000 segments each; it is in the page cache."""
    for path in share.rglob("*.zst"):
        warm(path)
    for command in (("cost",), ("thin", "--dry-run")):
        bench.measure(f"{MANY}: {' '.join(command)}", on_share(share, *command))
    bench.measure(A_YEAR, [sys.executable, str(Path(__file__).with_name("bench_forecast.py"))])


def files_only(bench: Bench, cache: Path, rounds: int, million: bool) -> None:
    written: dict[str, int] = {}
    with bench_files.root_to_change(bench) as root:
        for number in range(rounds):
            bench_files.one_round(bench, root, number, written)
    if million:
        bench_files.million_files(bench, cache)
    print(_machine(rounds), bench_files.report(bench, written), sep="\n\n")


def report(bench: Bench, written: dict[str, int], rounds: int) -> str:
    lines = [
        _machine(rounds),
        f"The card: {bench_card.CARD_BYTES >> 30} GiB, {bench_card.IN_USE >> 30} GiB in use.",
        "",
        *COMPARED,
    ]
    for what, against, most in (
        ("first capture", "whole card", 0.25),
        ("first capture, read back", "whole card", 0.40),
        ("nightly capture", "whole card", 0.06),
        ("nightly capture, confirm and read back", "whole card", 0.10),
        ("verify", "zstd -t", 0.7),
        ("restore", "unpack whole", 0.6),
        (DRILL, DRILL_AGAINST, DRILL_RATIO),
        ("--help", "import typer", 2.5),
        ("one core", "first capture", None),
    ):
        if what in bench.seconds:
            lines.append(compared(bench, what, against, most))
    lines += ["", report_pick(bench), "", report_many(bench)]
    whole = written["whole card"]
    lines += ["", "| bytes written | MiB | ratio to the whole card | to reach |", "|---|---|---|---|"]
    for what, goal in (("whole card", ""), ("first capture", ""), ("nightly capture", "0.06")):
        lines.append(f"| {what} | {written[what] / MIB:.0f} | {written[what] / whole:.3f} | {goal} |")
    lines += ["", "| peak resident (96 to reach) | MiB |", "|---|---|"]
    ours_only = ("capture", "verify", "restore", "drill", "one core")
    lines += [
        f"| {name} | {size / MIB:.0f} |" for name, size in bench.resident.items() if any(o in name for o in ours_only)
    ]
    return "\n".join(lines)


COMPARED = ("| what | against | wall, s | against, s | ratio | to reach |", "|---|---|---|---|---|---|")


def compared(bench: Bench, what: str, against: str, most: float | None) -> str:
    """A line of such a table; `most`: what the ratio is to be at the most."""
    ours, theirs = bench.median(what), bench.median(against)
    goal = "" if most is None else f"{most}{'' if ours / theirs <= most else ' **missed**'}"
    return f"| {what} | {against} | {ours:.2f} | {theirs:.2f} | {ours / theirs:.3f} | {goal} |"


def report_pick(bench: Bench) -> str:
    seconds, segments = bench.median(PICK), bench.segments_picked
    missed = " **missed**" if seconds > PICK_SECONDS or segments > PICK_SEGMENTS else ""
    return (
        f"One file of {bench.bytes_picked} bytes by `pick`: {seconds:.2f} s (to reach: {PICK_SECONDS}), "
        f"{segments} segments read (to reach: {PICK_SEGMENTS}){missed}."
    )


def report_many(bench: Bench) -> str:
    lines = ["| what | s | to reach | MiB | to reach |", "|---|---|---|---|---|"]
    for name in (name for name in bench.seconds if name.startswith((MANY, A_YEAR))):
        seconds, resident = bench.median(name), bench.resident[name]
        most = A_YEAR_SECONDS if name == A_YEAR else MANY_SECONDS
        missed = [" **missed**" if more else "" for more in (seconds > most, resident > MANY_RESIDENT)]
        lines.append(
            f"| {name} | {seconds:.2f} | {most}{missed[0]} | {resident / MIB:.0f} | {MANY_RESIDENT // MIB}{missed[1]} |"
        )
    return "\n".join(lines)


def _machine(rounds: int) -> str:
    return f"{_processor()}, {os.cpu_count()} cores, Linux {os.uname().release}; medians of {rounds}."


def _processor() -> str:
    names = [line.split(":", 1)[1].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "name" in line]
    return names[0] if names else os.uname().machine


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measures backupctl against plain tools on a real card.")
    arguments.add_argument("--rounds", type=int, default=3, help="times that each command runs (default: 3)")
    more = "also peak memory with a million segments, or files (minutes)"
    arguments.add_argument("--million", action="store_true", help=more)
    arguments.add_argument("--many-only", action="store_true", help=f"only the shelf of {MANY}, made in minutes")
    arguments.add_argument("--bad-day-only", action="store_true", help="only a drill, and one file picked")
    arguments.add_argument("--files-only", action="store_true", help="only captures of files, against tar and zstd")
    arguments.add_argument("--card", type=Path, help="with --bad-day-only: another card than the bench's (ext last)")
    arguments.add_argument("--picked", metavar="PATH", default=PICKED, help="with --card: which file (one of Debian's)")
    arguments.add_argument("--cards-only", action="store_true", help="build the cards, print their paths, and stop")
    chosen = arguments.parse_args()
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "backupctl-bench"
    is_small = chosen.bad_day_only or chosen.files_only
    if chosen.card and not chosen.bad_day_only:
        arguments.error("--card goes with --bad-day-only")
    if chosen.card:
        cache.mkdir(parents=True, exist_ok=True)
        cards = [chosen.card.absolute()]
    else:
        cards = [] if chosen.many_only else bench_card.build(cache, days=1 if is_small else 3)
    if chosen.cards_only:
        print(*cards, sep="\n")
        return
    shelf = None if is_small else bench_shelf.build(cache)
    folder = cache / "run"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    try:
        bench = Bench(folder, cards)
        if chosen.files_only:
            files_only(bench, cache, chosen.rounds, chosen.million)
            return
        if shelf is None:
            if chosen.card:
                bench.root_start, bench.picked = start_of_last_partition(cards[0]), chosen.picked
            bad_day_only(bench, chosen.rounds)
            return
        written: dict[str, int] = {}
        for _ in range(chosen.rounds):
            if not chosen.many_only:
                one_round(bench, written)
            many_captures(bench, shelf)
        if chosen.many_only:
            print(report_many(bench))
            return
        one_core(bench)
        if chosen.million:
            million_segments(bench)
        print(report(bench, written, chosen.rounds))
        files_only(bench, cache, chosen.rounds, chosen.million)
        (cache / "last.json").write_text(json.dumps({"seconds": bench.seconds, "resident": bench.resident}, indent=1))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
