"""A board whose root and home are subvolumes of btrfs: captured from within, in a change-root, and made a card again.

Checked with btrfs-progs, blkid and find(1); the mounts are the kernel's.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.card_images import MIB, run
from tests.files_shelf import make_share
from tests.program import backupctl, environment
from tests.shelf_of_card import resealed_json
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

UUID = "6a0f3a54-3b5f-4a52-9c37-51b6a1d0c0de"
FSTAB = (
    f"UUID={UUID} / btrfs noatime,subvol=@rootfs 0 0\nUUID={UUID} /home btrfs noatime,subvol=@home 0 0\n"
    "tmpfs /tmp tmpfs defaults 0 0\n"
)
COMMAND_LINE = f"console=ttyS0 root=UUID={UUID} rootfstype=btrfs rootflags=subvol=@rootfs rootwait\n"
START, SIZE = MIB, 400 * MIB
# What the program needs of this machine, bound into the change-root.
BOUND = [
    "/usr",
    "/proc",
    "/sys",
    "/dev",
    *sorted({str(Path(__file__).parents[2]), sys.prefix, sys.base_prefix} - {"/usr"}),
]
LISTED = ("find", ".", "-type", "f", "-printf", r"%P %y %m %U %s %T@\n")


@contextmanager
def running(card: Path, place: Path) -> Iterator[str]:
    """The board's mounts, at `place`; the device of the whole card."""
    with (
        attached(card) as device,
        partition(device, 1, START, SIZE) as root,
        mounted(root, place, "-o", "subvol=@rootfs"),
        mounted(root, place / "home", "-o", "subvol=@home"),
    ):
        yield device


def files_in(place: Path) -> list[str]:
    return sorted(subprocess.run(LISTED, cwd=place, check=True, capture_output=True, text=True).stdout.splitlines())


def capture_from_within(place: Path, share: Path, card: str) -> dict[str, Any]:
    """By the program, to which `place` is the root of everything."""
    with ExitStack() as stack:
        for source, target in [*((each, each) for each in BOUND), (str(share), "/share")]:
            stack.enter_context(mounted(source, place / target.lstrip("/"), "--bind"))
        # For a loop device stands a disk, which lies in no file of another file system.
        program = (
            "from pathlib import Path\nfrom backupctl.board import mounted\n"
            "from backupctl.operations.capturing import subject\nmounted._follow_loops = lambda *_: None\n"
            f"subject.own_card = lambda: Path({card!r})\nfrom backupctl.cli.main import main\nmain()\n"
        )
        words = ["chroot", str(place), sys.executable, "-c", program, "capture", "--kind", "files", "--json"]
        done = subprocess.run(
            [*words, "--board", "shed"], env=environment(Path("/share")), capture_output=True, text=True, check=False
        )
    assert done.returncode in (0, 4), done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    return told


Made = tuple[Path, dict[str, list[str]], Path]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Share; what find(1) says of root and home; and a folder to work in."""
    need("losetup", "mkfs.btrfs", "btrfs", "sfdisk", "chroot")
    work = tmp_path_factory.mktemp("subvolumes")
    card, share, place = work / "card.img", make_share(work / "share"), work / "at"
    with card.open("wb") as file:
        file.truncate(START + SIZE)
    run("sfdisk", "-q", card, stdin=f"label: dos\nlabel-id: 0x5eed0b7f\nstart={START // 512}, type=83\n")
    with attached(card, offset=START) as root:
        tool("mkfs.btrfs", "-q", "-U", UUID, "-L", "rootfs", root)
        with mounted(root, place) as top:
            for name in ("@rootfs", "@home", "@rootfs/machines"):
                tool("btrfs", "subvolume", "create", top / name)
            for name in ("etc", "home", "boot", "usr", "tmp", "var/tmp"):
                (top / "@rootfs" / name).mkdir(parents=True)
            for name in ("bin", "lib", "lib64"):
                (top / "@rootfs" / name).symlink_to(f"usr/{name}")
            (top / "@rootfs/etc/fstab").write_text(FSTAB)
            (top / "@rootfs/boot/cmdline.txt").write_text(COMMAND_LINE)
            (top / "@rootfs/machines/nested").write_text("in a subvolume that nobody mounts")
            (top / "@rootfs/way").symlink_to(work / "outside")
            (top / "@home/song").write_bytes(os.urandom(300_000))
            tool("btrfs", "subvolume", "snapshot", "-r", top / "@rootfs", top / "@rootfs/yesterday")
    with running(card, place) as device:
        told = capture_from_within(place, share, device)
        listed = {at: files_in(place / at) for at in ("machines", "home")}
    record = json.loads((share / "boards/shed/captures" / told["id"] / "record.json").read_text())
    (volume,) = record["layout"]["volumes"]
    assert (volume["mounted"], volume["subvolumes"]) == ("/", {"/": "/@rootfs", "/home": "/@home"})
    assert "yesterday" in record["source"]["beneath"]
    return share, listed, work


def test_a_card_has_its_subvolumes_again(made: Made) -> None:
    """It is mounted by what its own fstab and command line say, and these are as they were."""
    share, listed, work = made
    card = work / "again.img"
    words = ("restore", "newest", card, "--board", "shed", "--size", f"{(START + SIZE) // 512} sectors")
    backupctl(share, *words, "--scratch", work)
    with running(card, work / "again"):
        assert {at: files_in(work / "again" / at) for at in listed} == listed
        assert (work / "again/etc/fstab").read_text() == FSTAB
        assert (work / "again/boot/cmdline.txt").read_text() == COMMAND_LINE
        assert list((work / "again/yesterday").iterdir()) == []
    with attached(card, offset=START) as root:
        assert UUID in tool("blkid", "-p", root)
        tool("btrfs", "check", "--readonly", root)
    card.unlink()


def test_no_subvolume_is_made_through_a_link(made: Made) -> None:
    """A record that lies: a subvolume within another one, below a name that is a link to a folder of this machine."""
    share, _, work = made
    outside = work / "outside"
    outside.mkdir()
    lying = work / "lying"
    shutil.copytree(share, lying)
    (record,) = lying.glob("boards/shed/captures/*/record.json")
    record.write_text(resealed_json(record.read_text().replace('"/@home"', '"/@rootfs/way/inner"')))
    words = ("restore", "newest", work / "lying.img", "--board", "shed", "--size", f"{(START + SIZE) // 512} sectors")
    refused = backupctl(lying, *words, "--scratch", work, code=3)
    assert "/@rootfs/way is a link" in " ".join(refused.err.split())
    assert list(outside.iterdir()) == []
    assert not (work / "lying.img").exists()


def test_another_file_system_has_all_in_one(made: Made) -> None:
    share, listed, work = made
    card = work / "flat.img"
    words = ("restore", "newest", card, "--board", "shed", "--size", f"{(START + SIZE) // 512} sectors")
    backupctl(share, *words, "--scratch", work, "--file-system", "ext4")
    with attached(card, offset=START) as root, mounted(root, work / "flat", "-o", "ro") as place:
        assert {at: files_in(place / at) for at in listed} == listed
        assert (place / "boot/cmdline.txt").read_text() == f"console=ttyS0 root=UUID={UUID} rootfstype=ext4 rootwait\n"
        tables = [line for line in (place / "etc/fstab").read_text().splitlines() if not line.startswith("#")]
        assert [line.split()[1:4] for line in tables] == [["/", "ext4", "noatime"], ["/tmp", "tmpfs", "defaults"]]
    card.unlink()
