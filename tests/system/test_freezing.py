"""Freezing file systems on loop devices: which, in which order, and what outside tools say of the frozen state."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from backupctl.board.block_device import disk_of
from backupctl.board.freezing import Freezer, thaw_all
from backupctl.board.locked_memory import all_memory_locked, locked_memory
from backupctl.board.mounted import MountedFileSystem, Place, Treatment, file_systems_on, refuse_unfreezable
from backupctl.board.watchdog import Watchdog
from backupctl.domain.errors import Refused
from backupctl.formats.mountinfo import parse_mountinfo
from tests.system.frozen_card import MIB, NestedCard, is_frozen, need_file_system, nested_card, reap, sparse
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = [pytest.mark.system, pytest.mark.timeout(60)]

LIMIT = 3.0


@pytest.fixture
def watchdog() -> Iterator[Watchdog]:
    need()
    with Watchdog() as made:
        yield made


@pytest.fixture
def card(tmp_path: Path) -> Iterator[NestedCard]:
    need("fsfreeze")
    with nested_card(tmp_path) as made:
        yield made


CHECKS = {
    "ext4": ("e2fsck", "-fn"),
    "xfs": ("xfs_repair", "-n"),
    "btrfs": ("btrfs", "check", "--readonly"),
}


@pytest.mark.parametrize("fstype", CHECKS)
def test_a_copy_taken_in_the_freeze_is_sound(tmp_path: Path, watchdog: Watchdog, fstype: str) -> None:
    need(f"mkfs.{fstype}", CHECKS[fstype][0])
    need_file_system(fstype)
    image = sparse(tmp_path / "card.img", 400 * MIB)
    with attached(image) as device:
        tool(f"mkfs.{fstype}", "-q", device)
        with mounted(device, tmp_path / "place") as place:
            for n in range(200):
                (place / f"file{n}").write_bytes(os.urandom(5000))
            (found,) = file_systems_on(disk_of(device))
            assert (found.fstype, found.mount_point, found.devices) == (fstype, str(place), (Path(device).name,))
            with Freezer([found]) as freezer:
                began = time.monotonic()
                with freezer.frozen(watchdog, 10 * LIMIT) as freeze:
                    assert is_frozen(place)
                    tool("cp", "--sparse=always", image, tmp_path / "copy.img")
                assert not freeze.thawed_early
                assert 0 < freeze.seconds <= time.monotonic() - began
            assert not is_frozen(place)
            reap()
    if fstype == "xfs":
        # A frozen XFS has something in its log on purpose (xfs_freeze(8): for crash recovery of a snapshot).
        with attached(tmp_path / "copy.img") as copy, mounted(copy, tmp_path / "replayed"):
            pass
    tool(*CHECKS[fstype], tmp_path / "copy.img")


def test_a_subvolume_whose_number_no_mount_has(tmp_path: Path, watchdog: Watchdog) -> None:
    need("mkfs.btrfs", "btrfs")
    need_file_system("btrfs")
    with attached(sparse(tmp_path / "card.img", 200 * MIB)) as device:
        tool("mkfs.btrfs", "-q", device)
        with mounted(device, tmp_path / "top") as top:
            tool("btrfs", "subvolume", "create", top / "sub")
        with mounted(device, tmp_path / "sub", "-o", "subvol=sub") as place:
            found = file_systems_on(disk_of(device))
            assert [each.mount_point for each in found] == [str(place)]
            status = place.stat().st_dev
            assert (os.major(status), os.minor(status)) != found[0].number
            with Freezer(found) as freezer, freezer.frozen(watchdog, LIMIT):
                assert is_frozen(place)
            reap()


def test_the_innermost_is_frozen_first(card: NestedCard, watchdog: Watchdog) -> None:
    disk = disk_of(card.device)
    found = file_systems_on(disk)
    assert [each.mount_point for each in found] == [str(card.inner), str(card.outer)]
    refuse_unfreezable(disk, found)
    # A writer that is always busy in the inner one would wait within the outer one if that were frozen first.
    writer = subprocess.Popen(
        ["dd", "if=/dev/zero", f"of={card.inner}/x", "bs=64k", "count=200", "conv=fsync"], stderr=-3
    )
    with Freezer(found) as freezer:
        assert freezer.sync_until_quick(10.0, 3) <= 10.0
        with freezer.frozen(watchdog, LIMIT) as freeze:
            assert is_frozen(card.inner)
            assert is_frozen(card.outer)
    assert not freeze.thawed_early
    assert writer.wait(20) == 0


def test_what_is_frozen_already_is_refused_and_nothing_stays_frozen(tmp_path: Path, watchdog: Watchdog) -> None:
    need("mkfs.ext4", "fsfreeze")
    with ExitStack() as stack:
        device = stack.enter_context(attached(sparse(tmp_path / "card.img", 96 * MIB)))
        places = []
        for number in (1, 2):
            made = stack.enter_context(partition(device, number, (48 * number - 47) * MIB, 40 * MIB))
            tool("mkfs.ext4", "-q", made)
            places.append(stack.enter_context(mounted(made, tmp_path / f"place {number}")))
        freezer = stack.enter_context(Freezer(file_systems_on(disk_of(device))))
        for place, other in (places, reversed(places)):
            tool("fsfreeze", "--freeze", place)
            with pytest.raises(Refused, match=f"{place} is frozen already"), freezer.frozen(watchdog, LIMIT):
                pass
            assert not is_frozen(other)
            tool("fsfreeze", "--unfreeze", place)  # it was not ours to thaw


def test_an_inner_one_that_waits_for_a_frozen_outer_one_is_let_go(card: NestedCard, watchdog: Watchdog) -> None:
    (card.inner / "written").write_bytes(os.urandom(MIB))
    tool("fsfreeze", "--freeze", card.outer)
    began = time.monotonic()
    with Freezer(file_systems_on(disk_of(card.device))) as freezer, freezer.frozen(watchdog, 0.5) as freeze:
        assert time.monotonic() - began >= 0.5
    assert freeze.thawed_early


def test_the_command_that_thaws(card: NestedCard) -> None:
    disk = disk_of(card.device)
    assert thaw_all(disk) == []
    tool("fsfreeze", "--freeze", card.inner)
    tool("fsfreeze", "--freeze", card.outer)
    assert thaw_all(disk) == [str(card.outer), str(card.inner)]
    assert not is_frozen(card.inner)
    assert not is_frozen(card.outer)
    assert thaw_all(disk) == []


def test_a_body_that_fails_thaws(card: NestedCard, watchdog: Watchdog) -> None:
    with Freezer(file_systems_on(disk_of(card.device))) as freezer:
        with pytest.raises(KeyError), freezer.frozen(watchdog, LIMIT):
            raise KeyError
        assert not is_frozen(card.inner)
        assert not is_frozen(card.outer)
        with freezer.frozen(watchdog, LIMIT) as again:
            pass
        assert not again.thawed_early


def test_a_read_only_one_cannot_be_made_writable_in_the_freeze(card: NestedCard, watchdog: Watchdog) -> None:
    tool("mount", "-o", "remount,ro", card.inner)
    found = file_systems_on(disk_of(card.device))
    assert [each.read_only for each in found] == [True, False]
    with Freezer(found) as freezer, freezer.frozen(watchdog, LIMIT):
        remount = subprocess.run(["mount", "-o", "remount,rw", card.inner], capture_output=True, check=False)
        assert remount.returncode != 0
    tool("mount", "-o", "remount,rw", card.inner)


def test_a_mount_of_another_namespace(tmp_path: Path, watchdog: Watchdog) -> None:
    need("unshare", "mkfs.ext4")
    (tmp_path / "place").mkdir()
    with attached(sparse(tmp_path / "card.img", 40 * MIB)) as device:
        tool("mkfs.ext4", "-q", device)
        script = f"mount {device} {tmp_path}/place && echo mounted && exec cat"
        hidden = subprocess.Popen(["unshare", "--mount", "sh", "-c", script], stdin=-1, stdout=-1)
        try:
            assert hidden.stdout and hidden.stdout.readline() == b"mounted\n"
            assert not os.path.ismount(tmp_path / "place")
            disk = disk_of(device)
            found = file_systems_on(disk)
            refuse_unfreezable(disk, found)
            (seen,) = found
            assert seen.places[0].viewer == str(hidden.pid)
            with Freezer(found) as freezer, freezer.frozen(watchdog, LIMIT):
                assert is_frozen(Path(f"/proc/{hidden.pid}/root{tmp_path}/place"))
            reap()
        finally:
            hidden.communicate(timeout=10)


def test_loops_of_another_namespace_and_over_a_partition(tmp_path: Path) -> None:
    """The path behind such a loop device leads to another file here; the device of that file does not mislead."""
    need("unshare", "mkfs.ext4")
    for name in ("outer", "inner", "other"):
        (tmp_path / name).mkdir()
    image = sparse(tmp_path / "card.img", 96 * MIB)
    with attached(image) as device, partition(device, 1, MIB, 90 * MIB) as first, attached(Path(first)) as over:
        tool("mkfs.ext4", "-q", over)
        script = (
            f"mount {over} outer && truncate -s 24M outer/file && mkfs.ext4 -q outer/file && "
            "loop=$(losetup --find --show outer/file) && mount $loop inner && echo mounted && cat; "
            "umount inner; losetup --detach $loop"
        )
        hidden = subprocess.Popen(["unshare", "--mount", "sh", "-c", script], stdin=-1, stdout=-1, cwd=tmp_path)
        try:
            assert hidden.stdout and hidden.stdout.readline() == b"mounted\n"
            found = file_systems_on(disk_of(device))
            assert [each.mount_point for each in found] == [str(tmp_path / "inner"), str(tmp_path / "outer")]
            assert found[0].beneath >= {found[1].number}
        finally:
            hidden.communicate(timeout=10)


def test_a_mount_that_no_table_shows_is_refused(tmp_path: Path) -> None:
    need("mkfs.ext4")
    with attached(sparse(tmp_path / "card.img", 40 * MIB)) as device, partition(device, 1, MIB, 32 * MIB) as first:
        tool("mkfs.ext4", "-q", first)
        place = tmp_path / "place"
        place.mkdir()
        tool("mount", first, place)
        (place / "held").write_text("")
        with (place / "held").open("rb"):
            tool("umount", "--lazy", place)
            disk = disk_of(device)
            assert file_systems_on(disk) == ()
            with pytest.raises(Refused, match=f"{first} is in use by something that is not visible"):
                refuse_unfreezable(disk, ())
        refuse_unfreezable(disk, ())


def test_what_is_mounted_over_is_not_taken_for_it(card: NestedCard, watchdog: Watchdog) -> None:
    found = file_systems_on(disk_of(card.device))
    with mounted("none", card.outer, "-t", "tmpfs"):
        with pytest.raises(Refused, match=f"{card.outer} cannot be reached"), Freezer(found):
            pass
        assert thaw_all(disk_of(card.device)) == []
    tool("mount", "--bind", card.outer, card.inner)
    try:
        with pytest.raises(Refused, match=f"{card.inner} cannot be reached"), Freezer(found):
            pass
    finally:
        tool("umount", card.inner)


def test_what_only_names_the_card_is_not_on_it(tmp_path: Path) -> None:
    """As a file system of a network may: what its source says is its own affair, and to freeze it hangs everything."""
    with attached(sparse(tmp_path / "card.img", MIB)) as device, mounted(device, tmp_path / "far", "-t", "tmpfs"):
        assert tool("findmnt", "--noheadings", "--output", "SOURCE", tmp_path / "far").strip() == device
        assert file_systems_on(disk_of(device)) == ()


def test_another_btrfs_mounted_over_it(tmp_path: Path) -> None:
    """No device number tells them apart."""
    need("mkfs.btrfs")
    need_file_system("btrfs")
    with ExitStack() as stack:
        devices = [stack.enter_context(attached(sparse(tmp_path / f"{n}.img", 120 * MIB))) for n in range(2)]
        for device in devices:
            tool("mkfs.btrfs", "-q", device)
        place = stack.enter_context(mounted(devices[0], tmp_path / "place"))
        found = file_systems_on(disk_of(devices[0]))
        with mounted(devices[1], place), pytest.raises(Refused, match=f"{place} cannot be reached"), Freezer(found):
            pass


def test_a_sync_that_is_never_quick(card: NestedCard) -> None:
    with Freezer(file_systems_on(disk_of(card.device))) as freezer, pytest.raises(Refused, match="writing out takes"):
        freezer.sync_until_quick(0.0, 2)


def made_up(line: str, beneath: frozenset[tuple[int, int]] = frozenset()) -> MountedFileSystem:
    (mount,) = parse_mountinfo(line)
    place = Place("self", mount)
    read_only = "ro" in mount.super_options
    return MountedFileSystem(mount.fstype, mount.major, mount.minor, ("sda9",), read_only, (place,), beneath)


def test_what_is_to_be_done_with_which() -> None:
    """This kernel may lack FAT; fsfreeze(8) lists ext3, ext4, xfs, btrfs and others as those that can be frozen."""
    root = made_up("1 1 8:2 / / rw - ext4 /dev/sda2 rw")
    boot = made_up("2 1 8:1 / /boot rw - vfat /dev/sda1 rw")
    assert root.treatment is Treatment.FREEZE
    assert boot.treatment is Treatment.SYNC
    assert made_up("3 1 8:3 / /r ro - squashfs /dev/sda3 ro").treatment is Treatment.NOTHING
    # Read-only as a mount, not as a file system.
    assert made_up("2 1 8:1 / /boot ro - vfat /dev/sda1 rw").treatment is Treatment.SYNC


def test_layouts_that_would_hang(tmp_path: Path) -> None:
    need("losetup")
    root = made_up("1 1 8:2 / / rw - ext4 /dev/sda2 rw")
    inner = made_up("2 1 7:1 / /in rw - vfat /dev/loop1 rw", beneath=frozenset({(8, 2)}))
    program = made_up("3 1 8:4 / /n rw - fuseblk /dev/sda4 rw")
    with attached(sparse(tmp_path / "card.img", MIB)) as device:
        with pytest.raises(Refused, match=r"/in .vfat. cannot be frozen, and lies in a file on what would be frozen"):
            refuse_unfreezable(disk_of(device), (inner, root))
        with pytest.raises(Refused, match=r"/n .fuseblk. is written by a program"):
            refuse_unfreezable(disk_of(device), (program, root))
        refuse_unfreezable(disk_of(device), (root,))


def locked_kib() -> int:
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(status["VmLck"].split()[0])  # proc(5)


def test_locked_memory() -> None:
    need()
    before = locked_kib()
    with locked_memory(3 * MIB) as view:
        assert len(view) == 3 * MIB
        assert locked_kib() == before + 3 * 1024
    assert locked_kib() == before
    with all_memory_locked():
        assert locked_kib() > sys.getsizeof([]) + 1024
    assert locked_kib() == 0
