"""A capture as a folder, through FUSE."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.board.fuse_mount import FuseMount
from backupctl.operations.picking.image_folder import ImageFolder, Overlay
from tests.booting_card import BootingCard, make_booting_card, share_of
from tests.card_images import MIB, run
from tests.files_shelf import share_of_folder
from tests.formats.ext4_images import FileReader
from tests.program import backupctl, command, environment
from tests.real_tree import described, make_odd
from tests.system.loop_device import attached, mounted, need

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for FUSE and for the owners"),
    pytest.mark.skipif(not Path("/dev/fuse").exists(), reason="needs the kernel's FUSE"),
]


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> BootingCard:
    pytest.importorskip("mfusepy")
    folder = tmp_path_factory.mktemp("card")
    root, boot = folder / "root", folder / "boot"
    (root / "etc").mkdir(parents=True)
    make_odd(root / "odd")
    os.setxattr(root / "odd" / "length 100", "user.note", b"kept")
    boot.mkdir()
    (boot / "config.txt").write_text("gpu=1\n")
    return make_booting_card(folder, root, boot, 64)


@pytest.fixture(scope="module")
def share(card: BootingCard, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return share_of(card, tmp_path_factory.mktemp("share"))


@contextmanager
def browsing(share: Path, folder: Path, shown: str = "disk.img") -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        command("browse", "newest", folder), env=environment(share), stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, start_new_session=True,
    )  # fmt: skip
    try:
        until = time.monotonic() + 60
        while not (folder / shown).exists():
            assert time.monotonic() < until and process.poll() is None, process.communicate()
            time.sleep(0.1)
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        assert process.stdout is not None
        process.stdout.close()
        subprocess.run(["umount", "--lazy", folder], stderr=subprocess.DEVNULL, check=False)


def test_card_partitions_and_files_are_there_until_ctrl_c(card: BootingCard, share: Path, tmp_path: Path) -> None:
    folder = tmp_path / "look"
    backupctl(share, "restore", "newest", tmp_path / "restored")
    with browsing(share, folder) as process:
        assert len(list((share / "boards" / "shed" / "readers").iterdir())) == 1
        run("cmp", folder / "disk.img", tmp_path / "restored")
        assert (folder / "partition-1" / "config.txt").read_text() == "gpu=1\n"
        seen = {str(path.relative_to(folder / "partition-2")) for path in (folder / "partition-2").rglob("*")}
        assert seen - {"lost+found"} == {str(path.relative_to(card.root)) for path in card.root.rglob("*")}
        for path in card.root.rglob("*"):
            kind, mode, user, group, _, content = described(path)
            found = described(folder / "partition-2" / path.relative_to(card.root))
            assert (*found[:4], found[5]) == (kind, mode, user, group, content)
        assert os.getxattr(folder / "partition-2" / "odd" / "length 100", "user.note") == b"kept"
        with pytest.raises(OSError) as refused:
            (folder / "new").write_text("x")
        assert refused.value.errno == errno.EROFS
        # Shown through the kernel, an image is what a tool makes of it.
        assert "rootfs" in run("dumpe2fs", "-h", folder / "partition-2.img")

        os.killpg(process.pid, signal.SIGINT)
        out, _ = process.communicate(timeout=60)
        assert process.returncode == 0, out
        assert "Press ctrl-C to end" in out
    assert not folder.exists()
    assert list((share / "boards" / "shed" / "readers").iterdir()) == []


def test_what_a_killed_one_left_is_taken_away(share: Path, tmp_path: Path) -> None:
    folder = tmp_path / "look"
    folder.mkdir()
    with browsing(share, folder) as process:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        with pytest.raises(OSError):
            os.listdir(folder)  # noqa: PTH208 - for the error
        backupctl(None, "browse", "--end", folder)
        assert list(folder.iterdir()) == []
        assert "no capture is shown" in backupctl(None, "browse", "--end", folder, code=2).err
    (folder / "mine").write_text("x")
    assert "not empty" in backupctl(share, "browse", "newest", folder, code=3).err


def test_an_archive_and_its_files(card: BootingCard, tmp_path: Path) -> None:
    share, folder = share_of_folder(card.root, tmp_path), tmp_path / "look"
    with browsing(share, folder, "archive.tar"):
        run("cmp", folder / "archive.tar", tmp_path / "folder.tar")
        files = folder / "files"
        seen = {str(path.relative_to(files)) for path in files.rglob("*")}
        assert seen == {str(path.relative_to(card.root)) for path in card.root.rglob("*")}
        for path in card.root.rglob("*"):
            assert described(files / path.relative_to(card.root)) == described(path)
        assert os.getxattr(files / "odd" / "length 100", "user.note") == b"kept"
        assert (files / "odd" / "linked").stat().st_nlink == 2


def test_an_overlay_takes_what_a_repair_writes(card: BootingCard, tmp_path: Path) -> None:
    volume, folder = tmp_path / "volume", tmp_path / "folder"
    run("dd", f"if={card.path}", f"of={volume}", "bs=1M", "skip=26", "count=64", "status=none")
    run("debugfs", "-w", "-R", "set_super_value free_blocks_count 7", volume)
    before = volume.read_bytes()
    folder.mkdir()
    with tempfile.TemporaryFile() as scratch:
        overlay = Overlay(FileReader(volume), scratch)
        with FuseMount(ImageFolder({"root.img": overlay}, {}, (), 0), folder, writable=True):
            fixed = subprocess.run(["e2fsck", "-fy", folder / "root.img"], stdout=subprocess.DEVNULL, check=False)
            assert fixed.returncode == 1  # errors corrected: e2fsck(8)
            run("e2fsck", "-fn", folder / "root.img")
        assert 0 < overlay.written_bytes < 1 << 20

        rng = random.Random(8)
        model = bytearray(overlay.read_at(0, overlay.size))
        for _ in range(300):
            at = rng.randrange(overlay.size - 20000)
            data = rng.randbytes(rng.randrange(1, 20000))
            overlay.write_at(at, data)
            model[at : at + len(data)] = data
        assert overlay.read_at(0, overlay.size) == model
    assert volume.read_bytes() == before


@pytest.mark.parametrize("kind", ["btrfs", "xfs"])
def test_what_only_the_kernel_reads_is_mounted_by_it(kind: str, tmp_path: Path) -> None:
    """For reading, and without a trace afterwards, on the image and among the loop devices."""
    need(f"mkfs.{kind}")
    if f"\t{kind}\n" not in Path("/proc/filesystems").read_text():
        pytest.skip(f"needs a kernel with {kind}")
    image, share, folder = tmp_path / "card.img", tmp_path / "share", tmp_path / "look"
    with image.open("wb") as file:
        file.truncate(320 * MIB)  # the least of xfs is 300 MB: mkfs.xfs(8)
    run(f"mkfs.{kind}", "-q", image)
    with attached(image) as device, mounted(device, tmp_path / "mounted", "-t", kind) as there:
        (there / "notes").write_text("from the kernel")
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    backupctl(share, "capture", "--board", "shed", "--source", image, code=None)
    with browsing(share, folder, "files/notes") as process:
        assert (folder / "files" / "notes").read_text() == "from the kernel"
        with pytest.raises(OSError) as refused:
            (folder / "files" / "more").write_text("x")
        assert refused.value.errno == errno.EROFS
        assert str(folder) in run("losetup", "--list")
        run("cmp", folder / "disk.img", image)
        os.killpg(process.pid, signal.SIGINT)
        process.communicate(timeout=60)
    assert not folder.exists()
    assert str(folder) not in run("losetup", "--list")
