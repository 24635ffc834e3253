"""The instant in which all is frozen: what may happen in it, what may not, and what this program does not do then."""

from __future__ import annotations

import mmap
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pytest

from backupctl.board import mounted as mounted_file_systems
from backupctl.board import packages
from backupctl.board.freezing import Freezer
from backupctl.board.watchdog import Watchdog
from backupctl.board.write_tracking import WriteTracker
from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.policy import ImagePolicy
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import ReadAt
from backupctl.operations.capturing import live, live_card
from backupctl.operations.capturing.live import LiveReading
from backupctl.operations.card_map import read_card_map
from backupctl.operations.progress import Quiet
from tests.system import live_board as live_boards
from tests.system.frozen_card import is_frozen, reap, sparse, wait_until_detached
from tests.system.live_board import MIB, LiveBoard, Oracle, differing, files_in, live_board, places_of, take
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system


def scribble(device: str, at: int, length: int) -> None:
    """Noise onto the whole disk, past the cache and past all file systems."""
    with mmap.mmap(-1, length) as memory:
        memory[:] = os.urandom(length)
        fd = os.open(device, os.O_WRONLY | os.O_DIRECT)
        try:
            assert os.pwrite(fd, memory, at) == length
        finally:
            os.close(fd)


@dataclass
class Meddling(Oracle):
    """Scribbles there in the first instant, when the copy of it was made."""

    at: int = 0

    def __call__(self) -> None:
        super().__call__()
        if self.calls == 1:
            scribble(self.board.device, self.at, 4096)


def test_what_is_written_while_all_is_frozen(tmp_path: Path) -> None:
    """In a file: no instant. In what is free, as trimming does, or in swap, as a board that lacks memory: nothing."""
    need("mkswap", "swapon")
    with live_board(tmp_path, filled=8 * MIB) as board:
        for name in ("swap", "gone"):
            (board.root / name).write_bytes(os.urandom(3 * MIB))
            (board.root / name).chmod(0o600)
        data, swap, free = (places_of(board, name)[0][1] + MIB for name in ("noise", "swap", "gone"))
        (board.root / "gone").unlink()
        os.sync()
        tool("mkswap", "-q", board.root / "swap")
        tool("swapon", board.root / "swap")
        try:
            for at, freezes in ((data, 2), (free, 1), (swap, 1)):
                oracle = Meddling(board, at=at)
                taken = take(board, oracle)
                assert taken.record["source"]["freezes"] == oracle.calls == freezes
                assert not differing(taken, oracle)
        finally:
            tool("swapoff", board.root / "swap")


class Losing(WriteTracker):
    """From `lose` on, until it starts over, it hears of nothing, and says that events were lost."""

    made: ClassVar[list[Losing]] = []

    def __init__(self, major: int, minor: int) -> None:
        super().__init__(major, minor, keep=lambda start, end: not self.lose)
        self.lose = False
        self.made.append(self)

    def lost(self) -> int:
        return super().lost() + self.lose

    def start_over(self) -> None:
        super().start_over()
        self.lose = False


@pytest.fixture
def losing(monkeypatch: pytest.MonkeyPatch) -> None:
    Losing.made.clear()
    monkeypatch.setattr(live_card, "WriteTracker", Losing)


@pytest.mark.usefixtures("losing")
def test_events_that_are_lost_in_the_instant(tmp_path: Path) -> None:
    with live_board(tmp_path, filled=8 * MIB) as board:
        at = places_of(board, "noise")[0][1]
        oracle = Oracle(board)

        def lose() -> None:
            oracle()
            if oracle.calls == 1:
                Losing.made[0].lose = True
                scribble(board.device, at, 4096)

        taken = take(board, lose)
        assert oracle.calls == 2
        assert not differing(taken, oracle)


@pytest.mark.usefixtures("losing")
def test_what_was_written_while_events_were_lost_is_read_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is in files, and what maps are made of."""
    syncing, synced = Freezer.sync_until_quick, []

    def write(freezer: Freezer, *given: Any, **named: Any) -> float:
        synced.append(syncing(freezer, *given, **named))
        if len(synced) == 2:  # all has been read by then
            Losing.made[0].lose = True
            with (board.root / "noise").open("r+b") as noise:
                noise.write(os.urandom(MIB))
            (board.root / "new").write_bytes(os.urandom(4 * MIB))
            os.sync()
        return synced[-1]

    monkeypatch.setattr(Freezer, "sync_until_quick", write)
    with live_board(tmp_path, filled=8 * MIB) as board:
        oracle = Oracle(board)
        taken = take(board, oracle)
        assert not differing(taken, oracle)
        found = files_in(taken.image, board, ["new"], tmp_path / "files") / "new"
        assert found.read_bytes() == (board.root / "new").read_bytes()


def test_nothing_is_told_or_in_the_way_then(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And this program's memory is locked, and it runs before all others."""
    still: list[Freezer] = []
    frozen = Freezer.frozen

    @contextmanager
    def watched(freezer: Freezer, *given: Any) -> Iterator[Any]:
        with frozen(freezer, *given) as freeze:
            still.append(freezer)
            try:
                yield freeze
            finally:
                still.pop()

    class Telling(Quiet):
        def note(self, text: str) -> None:
            assert not still

        def step(self, step: object) -> None:
            assert not still

    monkeypatch.setattr(Freezer, "frozen", watched)
    monkeypatch.setattr(live_boards, "_Telling", Telling)
    seen: list[tuple[int, int, int]] = []

    def look() -> None:
        assert still
        status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        locked, resident = (int(status[field].split()[0]) for field in ("VmLck", "VmRSS"))  # KiB: proc(5)
        seen.append((locked, resident, os.getpriority(os.PRIO_PROCESS, 0)))

    with live_board(tmp_path, filled=8 * MIB) as board:
        take(board, look)
    (locked, resident, priority), *_ = seen
    assert locked >= 0.9 * resident
    assert priority == -20
    assert os.getpriority(os.PRIO_PROCESS, 0) != -20


@contextmanager
def with_boot_partition(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[LiveBoard, Path]]:
    """In place of FAT, which not every kernel here has, an ext2 that nobody freezes."""
    need("mke2fs")
    monkeypatch.setattr(mounted_file_systems, "_FREEZABLE", frozenset({"ext4"}))
    with live_board(tmp_path, filled=8 * MIB) as board:
        volume = board.card.volume("fat")
        with partition(board.device, 1, volume.start, volume.size) as first:
            tool("mke2fs", "-q", "-F", "-t", "ext2", first)
            with mounted(first, tmp_path / "boot", "-t", "ext2") as boot:
                yield board, boot


def test_what_cannot_be_frozen_is_of_the_same_instant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sync_unfreezable = Freezer.sync_unfreezable
    roots_frozen = []
    with with_boot_partition(tmp_path, monkeypatch) as (board, boot):
        volume = board.card.volume("fat")

        def synced(freezer: Freezer) -> None:
            roots_frozen.append(is_frozen(board.root))
            # By somebody whom the freeze does not stop, after all that was synced before it.
            (boot / "kernel").write_bytes(os.urandom(100_000))
            sync_unfreezable(freezer)

        monkeypatch.setattr(Freezer, "sync_unfreezable", synced)
        instants: list[bytes] = []

        def in_the_instant() -> None:
            instants.append(board.card.path.read_bytes()[volume.start : volume.start + volume.size])
            if len(instants) == 1:
                with (boot / "late").open("wb") as file:
                    file.write(os.urandom(5000))
                    os.fsync(file.fileno())

        taken = take(board, in_the_instant, ImagePolicy(max_freeze=30))
        kernel = (boot / "kernel").read_bytes()
        reap()
    assert roots_frozen == [True, True]
    assert taken.record["source"]["freezes"] == 2  # the late one was noticed, and is in the second
    assert taken.record["source"]["marked_in_use"] == [1]
    image = taken.image.read_bytes()[volume.start : volume.start + volume.size]
    assert image == instants[1]  # an ext2 that is mounted is read whole
    alone = tmp_path / "boot.img"
    alone.write_bytes(image)
    tool("debugfs", "-R", f"dump /kernel {tmp_path}/kernel", alone)
    assert (tmp_path / "kernel").read_bytes() == kernel


def test_what_would_hang_and_is_mounted_midway(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "log"
    monkeypatch.setattr(mounted_file_systems, "_FREEZABLE", frozenset({"ext4"}))
    with live_board(tmp_path, filled=MIB) as board:
        place = tmp_path / "inner"
        place.mkdir()
        with attached(sparse(board.root / "inside.img", 24 * MIB)) as loop:
            tool("mke2fs", "-q", "-t", "ext2", loop)
            try:
                with pytest.raises(Refused, match="cannot be frozen, and lies in a file on what would be frozen"):
                    take(board, before=("mount", "-t", "ext2", loop, str(place)), after=("touch", str(log)))
            finally:
                tool("umount", place)
        wait_until_detached(loop)
    assert log.exists()


def test_a_sync_that_is_never_quick_before_the_freeze(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_QUICK_SYNC_SECONDS", 0.0)
    log = tmp_path / "log"
    with live_board(tmp_path, filled=MIB) as board, pytest.raises(Refused, match="writing out takes"):
        take(board, partial(pytest.fail, "it was frozen"), after=("touch", str(log)))
    assert log.exists()


def test_rounds_and_memory_are_those_of_the_policy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After each round, a little less is written than after the one before, and always more than fits."""
    cell, cells = 256 << 10, [24, 22, 20, 18, 16]
    reading = LiveReading._round

    def and_then_written(self: LiveReading, *given: Any) -> int:
        done = reading(self, *given)
        for number in range(cells.pop(0) if cells else 0):
            with (board.root / "noise").open("r+b") as noise:
                os.pwrite(noise.fileno(), os.urandom(4096), number * cell)
        os.sync()
        return done

    monkeypatch.setattr(LiveReading, "_round", and_then_written)
    with live_board(tmp_path, filled=8 * MIB) as board:
        oracle = Oracle(board)
        taken = take(board, oracle, ImagePolicy(max_freeze=30, max_rounds=4, freeze_memory=8 * cell))
        source = taken.record["source"]
        # The first freeze found 16 segments, and room for 8; on a busy machine another one may come to nothing as well.
        assert source["freezes"] >= 2
        assert len(source["rounds"]) == 4 + source["freezes"], "four, and one before each freeze"
        assert not differing(taken, oracle)


def test_a_board_that_always_writes_more_than_fits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cell = 256 << 10
    reading = LiveReading._round

    def and_then_written(self: LiveReading, *given: Any) -> int:
        done = reading(self, *given)
        for number in range(16):
            scribble(board.device, at + number * cell, 4096)
        return done

    monkeypatch.setattr(LiveReading, "_round", and_then_written)
    log = tmp_path / "log"
    with live_board(tmp_path, filled=8 * MIB) as board:
        at = max(places_of(board, "noise"), key=lambda place: place[2])[1]
        with pytest.raises(BackupctlError, match=r"frozen 6 times, and each time .* more had to be read than fits"):
            take(board, image=ImagePolicy(max_freeze=30, freeze_memory=8 * cell), after=("sh", "-c", f"echo >>{log}"))
    assert log.read_text() == "\n" * 6


def test_a_map_that_fails_its_checksum_in_the_instant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once: it is not believed, and the next one is."""
    judged: list[CardMap] = []

    def read_map(reader: ReadAt, sector_size: int, leave_out: tuple[int, ...], is_hint: bool, memory: Any) -> CardMap:
        if is_hint or judged:
            return read_card_map(reader, sector_size, leave_out, is_hint, memory)
        judged.append(read_card_map(Torn(reader, bit), sector_size, leave_out, is_hint, MapMemory()))
        return judged[0]

    monkeypatch.setattr(live_card, "read_card_map", read_map)
    with live_board(tmp_path, filled=8 * MIB) as board:
        listed = tool("dumpe2fs", f"{board.device}p2")
        bitmap = board.volume.start + 4096 * int(re.findall(r"Block bitmap at (\d+)", listed)[0])
        block = (places_of(board, "noise")[0][1] - board.volume.start) // 4096
        assert block < 4096 * 8  # it is in the first group, and calls a block of a file free
        bit = bitmap + block // 8
        oracle = Oracle(board)
        taken = take(board, oracle)
        assert "bitmap" in judged[0].warnings[0]
        assert (taken.record["source"]["freezes"], taken.record["warnings"]) == (2, [])
        assert not differing(taken, oracle)


@dataclass(frozen=True)
class Torn:
    """ReadAt in which a byte is another one."""

    inner: ReadAt
    at: int

    @property
    def size(self) -> int:
        return self.inner.size

    def read_at(self, offset: int, length: int) -> bytes:
        data = bytearray(self.inner.read_at(offset, length))
        if offset <= self.at < offset + length:
            data[self.at - offset] ^= 1
        return bytes(data)


def test_what_was_deleted_meanwhile_is_free(tmp_path: Path) -> None:
    with live_board(tmp_path, filled=8 * MIB) as board:
        (board.root / "gone").write_bytes(os.urandom(4 * MIB))
        places = places_of(board, "gone")
        oracle = Oracle(board)
        taken = take(board, oracle, before=("rm", str(board.root / "gone")))
        assert not differing(taken, oracle)
    image, held = taken.image.read_bytes(), oracle.image.read_bytes()
    cell = 256 << 10
    whole = [(-(-at // cell) * cell, (at + length) // cell * cell) for _, at, length in places]
    assert sum(end - start for start, end in whole) >= 2 * MIB
    for start, end in whole:
        assert held[start:end].strip(b"\0")  # it was on the card all the same
        assert not image[start:end].strip(b"\0")


class Deaf(WriteTracker):
    """One whose kernel does not tell of an event."""

    event = ""

    def __enter__(self) -> Deaf:
        made = super().__enter__()
        instances = Path("/sys/kernel/tracing/instances").glob(f"backupctl-{os.getpid()}-*")
        for instance in instances:
            (instance / "events/block" / self.event / "enable").write_text("0")
        return made


def test_a_trace_event_that_does_not_arrive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_card, "WriteTracker", Deaf)
    with live_board(tmp_path, filled=MIB) as board:
        for event in ("block_bio_queue", "block_rq_complete"):
            monkeypatch.setattr(Deaf, "event", event)
            with pytest.raises(Refused, match=f"was not told of by the kernel's trace event {event}$"):
                take(board)


def test_a_package_manager_is_waited_for_and_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    waited = []

    def at_work(seconds: float) -> int:
        waited.append(seconds)
        return 4711

    monkeypatch.setattr(packages, "wait_for_package_manager", at_work)
    with live_board(tmp_path, filled=MIB) as board:
        (warning,) = take(board).record["warnings"]
    assert "a package manager has been at work for 60 s (process 4711)" in warning
    assert waited == [60.0]


def test_the_watchdog_is_there_before_the_share_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever closes a descriptor of a share that is dead hangs, and it closes all that it inherits."""
    forked: list[list[str]] = []
    enter: Callable[[Watchdog], Watchdog] = Watchdog.__enter__

    def forking(watchdog: Watchdog) -> Watchdog:
        links = [os.readlink(entry) for entry in Path("/proc/self/fd").iterdir() if entry.is_symlink()]  # noqa: PTH115
        forked.append([link for link in links if link.startswith(str(tmp_path / "share"))])
        return enter(watchdog)

    monkeypatch.setattr(Watchdog, "__enter__", forking)
    with live_board(tmp_path, filled=MIB) as board:
        take(board)
    assert forked == [[]]
