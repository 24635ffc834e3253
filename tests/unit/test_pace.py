"""Rate limit, number of workers, and memory as control groups limit it."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from backupctl.board import pace

MIB = 1 << 20


class Clock:
    def __init__(self) -> None:
        self.now = 100.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


def test_each_call_waits_for_what_was_taken_before() -> None:
    clock = Clock()
    limit = pace.RateLimit(4 * MIB, clock, clock.sleep)
    for _ in range(9):
        limit.take(MIB)
    # 8 MiB at 4 MiB a second were done when the ninth began.
    assert clock.now == pytest.approx(102.0)
    assert clock.slept == pytest.approx([0.25] * 8)


def test_idle_time_is_not_saved_up() -> None:
    clock = Clock()
    limit = pace.RateLimit(MIB, clock, clock.sleep)
    limit.take(MIB)
    clock.now += 3600
    limit.take(MIB)
    assert not clock.slept
    limit.take(MIB)
    assert clock.slept == pytest.approx([1.0])


def test_no_limit_never_sleeps() -> None:
    clock = Clock()
    limit = pace.RateLimit(None, clock, clock.sleep)
    limit.take(1 << 60)
    limit.take(1 << 60)
    assert not clock.slept


@pytest.mark.parametrize("rate", [0, -1])
def test_a_rate_below_one_byte_is_an_error(rate: int) -> None:
    with pytest.raises(ValueError, match="not a rate"):
        pace.RateLimit(rate)


def test_threads_share_one_rate() -> None:
    slept: list[float] = []
    limit = pace.RateLimit(1000, lambda: 0.0, slept.append)

    def take_often() -> None:
        for _ in range(50):
            limit.take(10)

    threads = [threading.Thread(target=take_often) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # The clock stands still, so each of 200 calls has its own place in the queue: 0, 0.01, ... 1.99 s.
    assert sorted(slept) == pytest.approx([i / 100 for i in range(1, 200)])


def write(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    return root


def machine(root: Path, available_mib: int, more: dict[str, str] | None = None) -> Path:
    # proc(5), /proc/meminfo.
    meminfo = f"MemTotal:  1048576 kB\nMemFree:  1024 kB\nMemAvailable:  {available_mib * 1024} kB\n"
    return write(root, {"proc/meminfo": meminfo, **(more or {})})


@pytest.mark.parametrize(
    ("cores", "available_mib", "count"),
    [(1, 4096, 1), (4, 4096, 4), (4, 100, 2), (4, 96, 2), (4, 95, 1), (4, 10, 1), (4, 127, 3)],
)
def test_workers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cores: int, available_mib: int, count: int) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(cores)))
    assert pace.workers(16 * MIB, machine(tmp_path, available_mib)) == count


def test_no_meminfo_means_one_worker(tmp_path: Path) -> None:
    assert pace.workers(root=tmp_path) == 1


# cgroups(7) and Documentation/admin-guide/cgroup-v2.rst of the kernel: the tightest limit from the group up to the top
# counts; "max" is none. Page cache ("file") gives way, anonymous memory ("anon") does not.
VERSION_2 = {
    "proc/self/mountinfo": "31 23 0:28 / /sys/fs/cgroup rw - cgroup2 cgroup2 rw\n",
    "proc/self/cgroup": "0::/system.slice/nightly.service\n",
    "sys/fs/cgroup/system.slice/nightly.service/memory.max": "max\n",
    "sys/fs/cgroup/system.slice/nightly.service/memory.stat": f"anon {10 * MIB}\nfile {90 * MIB}\n",
    "sys/fs/cgroup/system.slice/memory.max": f"{256 * MIB}\n",
    "sys/fs/cgroup/system.slice/memory.stat": f"anon {40 * MIB}\nfile {200 * MIB}\n",
}


def test_the_limit_of_a_group_further_up(tmp_path: Path) -> None:
    assert pace.available_memory(machine(tmp_path, 4096, VERSION_2)) == 216 * MIB


def test_memory_of_the_machine_where_that_is_less(tmp_path: Path) -> None:
    assert pace.available_memory(machine(tmp_path, 200, VERSION_2)) == 200 * MIB


def test_version_1_seen_from_within_a_container(tmp_path: Path) -> None:
    # Documentation/admin-guide/cgroup-v1/memory.rst. The mount shows only the container's own part of the tree.
    files = {
        "proc/self/mountinfo": "35 31 0:31 /box/7 /sys/fs/cgroup/memory rw - cgroup cgroup rw,memory\n",
        "proc/self/cgroup": "5:cpu,cpuacct:/box/7\n4:memory:/box/7/job\n0::/\n",
        "sys/fs/cgroup/memory/memory.limit_in_bytes": f"{128 * MIB}\n",
        "sys/fs/cgroup/memory/memory.stat": f"rss {MIB}\ntotal_rss {28 * MIB}\n",
        "sys/fs/cgroup/memory/job/memory.limit_in_bytes": "9223372036854771712\n",
        # Outside of the mount: must not be looked at.
        "sys/fs/cgroup/memory.limit_in_bytes": "1\n",
    }
    assert pace.available_memory(machine(tmp_path, 4096, files)) == 100 * MIB
