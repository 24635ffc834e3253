"""What is tracked against what has really changed: the file behind a loop device, before and after, block by block."""

from __future__ import annotations

import mmap
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.board import write_tracking
from backupctl.board.block_device import disk_of
from backupctl.board.mounted import file_systems_on
from backupctl.board.swap_space import swaps_on
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.errors import Refused
from backupctl.domain.ranges import Ranges
from tests.system.frozen_card import MIB, sparse
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = [pytest.mark.system, pytest.mark.timeout(120)]

START = 3 * MIB  # of the partition: sectors of the disk, not of the partition, must come out
BLOCK = 4096


def tracker(device: str, buffer_kib: int = 8192, keep: Callable[[int, int], bool] | None = None) -> WriteTracker:
    disk = disk_of(device)
    return WriteTracker(disk.major, disk.minor, buffer_kib, keep)


@contextmanager
def mounted_card(tmp_path: Path, *mkfs: str) -> Iterator[tuple[Path, str, Path]]:
    need("mkfs.ext4", "losetup", "addpart")
    image = tmp_path / "card.img"
    with attached(sparse(image, 160 * MIB)) as device, partition(device, 1, START, 150 * MIB) as first:
        # Nothing is left for the kernel to write by itself later.
        tool("mkfs.ext4", "-q", "-b", str(BLOCK), "-E", "lazy_itable_init=0,lazy_journal_init=0", *mkfs, first)
        with mounted(first, tmp_path / "place", "-o", "noatime") as place:
            yield image, device, place


def changed_blocks(before: bytes, after: bytes) -> list[int]:
    return [at for at in range(0, len(before), BLOCK) if before[at : at + BLOCK] != after[at : at + BLOCK]]


def written_out(image: Path, place: Path) -> bytes:
    tool("sync", "--file-system", place)
    return image.read_bytes()


def write_buffered(place: Path) -> None:
    for n in range(100):
        (place / f"file{n}").write_bytes(os.urandom(10_000 + n))
    (place / "file7").rename(place / "directory-less")


def write_direct(place: Path) -> None:
    block = mmap.mmap(-1, 8 * BLOCK)
    fd = os.open(place / "direct", os.O_WRONLY | os.O_CREAT | os.O_DIRECT)
    for n in range(200):
        block[:] = os.urandom(len(block))
        os.pwrite(fd, block, n * 37 % 100 * len(block))
    os.close(fd)


def write_mapped(place: Path) -> None:
    with (place / "mapped").open("w+b") as file:
        file.truncate(4 * MIB)
        with mmap.mmap(file.fileno(), 0) as memory:
            for n in range(0, len(memory), 3 * BLOCK):
                memory[n : n + 16] = os.urandom(16)


def truncate_and_delete(place: Path) -> None:
    for n in range(0, 60, 2):
        os.truncate(place / f"old{n}", 5000)
        (place / f"old{n + 1}").unlink()


def discard(place: Path) -> None:
    for n in range(60):
        (place / f"old{n}").unlink()
    tool("sync", "--file-system", place)
    need("fstrim")
    assert "trimmed" in tool("fstrim", "--verbose", place)


WRITERS = (write_buffered, write_direct, write_mapped, truncate_and_delete, discard)


@pytest.mark.parametrize("write", WRITERS)
def test_every_changed_block_is_tracked(tmp_path: Path, write: Callable[[Path], None]) -> None:
    with mounted_card(tmp_path) as (image, device, place):
        for n in range(60):
            (place / f"old{n}").write_bytes(os.urandom(100_000))
        tool("sync", "--file-system", place)
        with tracker(device) as tracking:
            before = written_out(image, place)
            tracking.drain()
            write(place)
            after = written_out(image, place)
            tracked = tracking.drain()
            assert tracking.lost() == 0
    changed = changed_blocks(before, after)
    assert len(changed) > 20
    missed = [at for at in changed if not tracked.covers(at, at + BLOCK)]
    assert not missed
    assert tracked.end <= len(before)
    if write is not discard:
        # Not everything either: what was written may be what was there, but not by far.
        assert tracked.total < 3 * len(changed) * BLOCK


def test_the_same_check_finds_what_one_dropped_write_leaves_out(tmp_path: Path) -> None:
    with mounted_card(tmp_path) as (image, device, place):
        (place / "marked").write_bytes(os.urandom(MIB))
        marked = extents_of(place / "marked")[0]
        with tracker(device, keep=lambda start, end: not (start < marked[1] and marked[0] < end)) as tracking:
            before = written_out(image, place)
            tracking.drain()
            with (place / "marked").open("r+b") as file:
                file.write(os.urandom(MIB))
            after = written_out(image, place)
            tracked = tracking.drain()
    missed = [at for at in changed_blocks(before, after) if not tracked.covers(at, at + BLOCK)]
    assert missed
    assert all(marked[0] <= at < marked[1] for at in missed)


def extents_of(path: Path) -> list[tuple[int, int]]:
    """Where a file lies on the whole disk, by filefrag of e2fsprogs, which counts in blocks of the partition."""
    need("filefrag")
    found = re.findall(r"^ *\d+: +\d+\.\. *\d+: +(\d+)\.\. *(\d+):", tool("filefrag", "-sv", path), re.MULTILINE)
    assert found
    return [(START + int(first) * BLOCK, START + (int(last) + 1) * BLOCK) for first, last in found]


def test_a_file_that_is_written_anew_is_tracked_where_it_lies(tmp_path: Path) -> None:
    # Without a journal nothing else is written for the next few seconds.
    with mounted_card(tmp_path, "-O", "^has_journal") as (_, device, place):
        written = place / "written"
        written.write_bytes(os.urandom(3 * MIB))
        tool("sync", "--file-system", place)
        extents = extents_of(written)
        with tracker(device) as tracking:
            tool("dd", f"if={device}", "of=/dev/null", "bs=1M", "count=16", "iflag=direct", "status=none")
            (tmp_path / "elsewhere").write_bytes(b"x" * MIB)
            tool("sync", tmp_path / "elsewhere")
            assert tracking.drain() == Ranges()  # reads are none of it, nor are writes to other disks
            tool(
                "dd", "if=/dev/zero", f"of={written}", "bs=1M", "count=3", "conv=notrunc", "oflag=direct", "status=none"
            )
            assert tracking.drain() == Ranges(extents)
            assert tracking.drain() == Ranges()
            assert tracking.lost() == 0


def test_a_buffer_that_is_too_small_tells_so(tmp_path: Path) -> None:
    with attached(sparse(tmp_path / "card.img", 16 * MIB)) as device:
        for buffer_kib, loses in ((8, True), (4096, False)):
            with tracker(device, buffer_kib) as tracking:
                assert tracking.lost() == 0
                # 4096 writes: 8192 records of some 50 bytes.
                tool("dd", "if=/dev/zero", f"of={device}", "bs=4k", "count=4096", "oflag=direct", "status=none")
                assert (tracking.lost() > 0) == loses
                tracked = tracking.drain()
                assert (tracking.lost() > 0) == loses
                assert tracked.covers(0, 16 * MIB) != loses


def test_a_storm_is_kept_up_with_and_folded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write_tracking, "_FOLD_RECORDS", 100)
    with attached(sparse(tmp_path / "card.img", 64 * MIB)) as device, tracker(device) as tracking:
        dd = ["dd", "if=/dev/zero", f"of={device}", "bs=4k", "oflag=direct", "status=none"]
        with subprocess.Popen(dd, stderr=subprocess.DEVNULL) as writer:  # it fails at the end of the device
            while writer.poll() is None:
                tracking.collect()
        assert tracking.drain() == Ranges([(0, 64 * MIB)])
        assert tracking.lost() == 0


INSTANCES = Path("/sys/kernel/tracing/instances")


def test_instances_are_removed_those_of_dead_processes_as_well(tmp_path: Path) -> None:
    with attached(sparse(tmp_path / "card.img", MIB)) as device:
        with tracker(device):
            own = [place for place in INSTANCES.iterdir() if place.name.split("-")[1:2] == [str(os.getpid())]]
            assert len(own) == 1
        assert not own[0].exists()
        with subprocess.Popen(["true"]) as ended:
            pass
        dead, alive = (INSTANCES / f"backupctl-{pid}-7:9" for pid in (ended.pid, 1))
        dead.mkdir()
        alive.mkdir()
        try:
            with tracker(device):
                assert not dead.exists()
                assert alive.exists()
        finally:
            alive.rmdir()


def test_the_name_of_a_process_cannot_pass_for_a_record(tmp_path: Path) -> None:
    forge = (
        "open('/proc/self/comm', 'wb').write(b'a\\nCPU:0 [LOST 1'); import os; os.write(1, bytes(4096)); os.fsync(1)"
    )
    with attached(sparse(tmp_path / "card.img", MIB)) as device, tracker(device) as tracking:
        with open(device, "r+b") as disk:
            subprocess.run([sys.executable, "-c", forge], stdout=disk, check=True)
        assert tracking.drain() == Ranges([(0, 4096)])
        assert tracking.lost() == 0


def test_the_proof(tmp_path: Path) -> None:
    with mounted_card(tmp_path) as (_, device, place), tracker(device) as tracking:
        before = sorted(place.iterdir())
        assert tracking.prove([Path("/proc/self"), place]) is True
        assert sorted(place.iterdir()) == before
        assert tracking.drain().total >= 65536  # it counts as written like all else
        events = next(INSTANCES.glob(f"backupctl-{os.getpid()}-*")) / "events/block"
        for name in ("block_bio_queue", "block_rq_complete"):
            (events / name / "enable").write_text("0")
            with pytest.raises(Refused, match=f"was not told of by the kernel's trace event {name}$"):
                tracking.prove([place])
            (events / name / "enable").write_text("1")
        tool("mount", "-o", "remount,ro", place)
        assert tracking.prove([place]) is False


ENTER = """
import sys
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.errors import Refused
try:
    with WriteTracker(7, 0):
        print("tracking")
except Refused as error:
    print(error.cause)
"""


def test_tracefs_absent(tmp_path: Path) -> None:
    need("unshare", "setpriv", "umount")
    with attached(sparse(tmp_path / "card.img", MIB)) as device, tracker(device):
        pass  # it is mounted from here on
    without = "while umount /sys/kernel/tracing 2>/dev/null; do :; done; umount /sys/kernel/debug 2>/dev/null; "
    python = f"'{sys.executable}' -c \"$0\""
    for command, expected in (
        (f"{without} {python}; grep -c tracefs /proc/self/mounts", "tracking\n1\n"),
        (
            f"{without} setpriv --bounding-set=-sys_admin {python}",
            "the kernel's tracing is not to be had: mount fail",
        ),
    ):
        assert tool("unshare", "--mount", "sh", "-c", command, ENTER).startswith(expected)


def test_a_form_of_event_that_is_not_known_is_refused() -> None:
    with pytest.raises(Refused, match="has a form that is not known"):
        write_tracking._pattern("block_bio_queue", 'print fmt: "%d,%d %s at %llu for %u [%s]", REC->dev\n')


def test_a_swap_file_lies_where_filefrag_says(tmp_path: Path) -> None:
    need("mkswap", "swapon", "swapoff")
    if not Path("/proc/swaps").exists():
        pytest.skip("needs the kernel's swap")
    with mounted_card(tmp_path) as (_, device, place):
        swap = place / "swap file"
        swap.write_bytes(bytes(4 * MIB))
        swap.chmod(0o600)
        tool("mkswap", swap)
        disk = disk_of(device)
        assert swaps_on(disk, file_systems_on(disk)) == ()
        tool("swapon", swap)
        try:
            (space,) = swaps_on(disk, file_systems_on(disk))
            assert space.name == str(swap)
            assert space.inode == swap.stat().st_ino
            assert space.header and space.body
            assert space.header | space.body == Ranges(extents_of(swap))
            first = extents_of(swap)[0][0]
            assert space.header == Ranges([(first, first + os.sysconf("SC_PAGE_SIZE"))])
        finally:
            tool("swapoff", swap)
