"""From files down to disks on real mounts: a loop in a loop, an overlay, btrfs over two devices."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.mounts import is_network, mount_of, read_mounts
from backupctl.board.system_disks import disks_under, system_disks
from backupctl.domain.errors import NotFound
from backupctl.formats.mountinfo import parse_mountinfo
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

MIB = 1 << 20


def sparse(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


def base(path: Path) -> set[str]:
    """What lies under the tests' own folder."""
    return disks_under(path).disks


def test_a_card_file_on_a_mounted_card_file(tmp_path: Path) -> None:
    need("mkfs.ext4")
    with attached(sparse(tmp_path / "outer.img", 96 * MIB)) as outer, partition(outer, 1, MIB, 90 * MIB) as first:
        tool("mkfs.ext4", "-q", first)
        with mounted(first, tmp_path / "a place") as place:
            with attached(sparse(place / "inner.img", 40 * MIB)) as inner:
                tool("mkfs.ext4", "-q", inner)
                with mounted(inner, tmp_path / "in"):
                    (tmp_path / "in/file").write_text("x")
                    names = {Path(inner).name, Path(outer).name}
                    assert disks_under(tmp_path / "in/file").disks == names | base(tmp_path)
            (tmp_path / "link").symlink_to(place)
            assert disks_under(tmp_path / "link").disks == {Path(outer).name} | base(tmp_path)


def test_an_overlay(tmp_path: Path) -> None:
    need("mkfs.ext4")
    with attached(sparse(tmp_path / "card.img", 64 * MIB)) as card:
        tool("mkfs.ext4", "-q", card)
        with mounted(card, tmp_path / "low"), mounted("none", tmp_path / "ram", "-t", "tmpfs"):
            for name in ("up", "work"):
                (tmp_path / "ram" / name).mkdir()
            layers = f"lowerdir={tmp_path}/low,upperdir={tmp_path}/ram/up,workdir={tmp_path}/ram/work"
            with mounted("overlay", tmp_path / "top", "-t", "overlay", "-o", layers):
                trace = disks_under(tmp_path / "top")
                assert trace.disks == {Path(card).name} | base(tmp_path)
                assert not trace.problems
        assert disks_under("/proc").disks == set()


def test_btrfs_over_two_devices(tmp_path: Path) -> None:
    need("mkfs.btrfs")
    if "btrfs" not in Path("/proc/filesystems").read_text():
        pytest.skip("needs btrfs in the kernel")
    images = [sparse(tmp_path / f"{n}.img", 160 * MIB) for n in range(2)]
    with attached(images[0]) as one, attached(images[1]) as two:
        tool("mkfs.btrfs", "-q", "-d", "raid1", "-m", "raid1", one, two)
        tool("btrfs", "device", "scan", one, two)
        try:
            with mounted(one, tmp_path / "pool") as pool:
                assert disks_under(pool).disks == {Path(one).name, Path(two).name} | base(tmp_path)
        finally:
            tool("btrfs", "device", "scan", "--forget", one, two)


def test_stacked_mounts_and_links(tmp_path: Path) -> None:
    with mounted("first", tmp_path / "place", "-t", "tmpfs") as place:
        with mounted("second", place, "-t", "tmpfs"):
            (place / "deep").mkdir()
            (tmp_path / "link").symlink_to(place / "deep")
            assert mount_of(tmp_path / "link").source == "second"
            assert tool("df", "--output=source", place / "deep").split()[-1] == "second"
        assert mount_of(place).source == "first"
    assert mount_of(tmp_path / "place").source not in ("first", "second")
    with pytest.raises(NotFound):
        mount_of(tmp_path / "link")


def test_the_mount_of_every_mount_point_as_findmnt_has_it() -> None:
    need("findmnt")
    for mount in read_mounts():
        seen = tool("findmnt", "-n", "-o", "FSTYPE,MAJ:MIN", "--target", mount.mount_point).split()
        ours = mount_of(mount.mount_point)
        # Where mounts are stacked, findmnt shows every one, the upper one last.
        assert seen[-2:] == [ours.fstype, f"{ours.major}:{ours.minor}"]


def test_the_root_directory_as_findmnt_has_it() -> None:
    need("findmnt", "lsblk")
    source = tool("findmnt", "-n", "-o", "SOURCE", "/").strip()
    if not source.startswith("/dev/"):
        pytest.skip(f"the root directory is on {source}")
    names = tool("lsblk", "--inverse", "--noheadings", "--list", "--output", "NAME,TYPE", source).split("\n")
    disks = {line.split()[0] for line in names if line.split()[1:] == ["disk"]}
    assert disks
    assert all("/ is on it" in system_disks().why[name] for name in disks)


def test_network_file_systems_as_libmount_names_them() -> None:
    libraries = list(Path("/usr/lib").glob("*/libmount.so.1"))
    if not libraries:
        pytest.skip("needs libmount")
    known = libraries[0].read_bytes().split(b"\0")
    line = "50 27 0:60 / /m rw - {} server rw"
    for name in ("cifs", "smb3", "fuse.sshfs", "9p", "afs", "ncpfs", "glusterfs"):
        assert name.encode() in known
        assert is_network(parse_mountinfo(line.format(name))[0])
    for name in ("ext4", "fuse.encfs", "autofs", "tmpfs", "fuse"):
        assert not is_network(parse_mountinfo(line.format(name))[0])
