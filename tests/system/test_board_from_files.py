"""A card made of a whole board's files: smaller, larger, and with another file system.

Checked with sfdisk, dumpe2fs, e2fsck, fsck.vfat, blkid, mcopy and GNU tar, which made the archive.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.block_device import disk_of
from backupctl.board.card_file import FileReader
from backupctl.operations.capturing.board_layout import layout_of_board, plan_head, take_board, take_head, where_mounted
from backupctl.operations.card_map import read_card_map
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Stop
from backupctl.share.captures import record_name
from backupctl.share.sealed import seal
from backupctl.share.shelf import open_shelf
from backupctl.share.storage import write_whole
from tests.booting_card import BOOT, DISK, ROOT, BootingCard, make_booting_card
from tests.card_images import MIB, require_tools, run
from tests.files_shelf import make_share, put_capture
from tests.program import backupctl
from tests.system.loop_device import attached, mounted, need, partition, tool
from tests.tar_archives import make_archive

pytestmark = pytest.mark.system

LOADER = b"second stage of an invented boot loader"
FSTAB = (
    f"# of the greenhouse\nPARTUUID={DISK}-02 / ext4 noatime,errors=remount-ro,commit=30 0 1\n"
    f"PARTUUID={DISK}-01 /boot/firmware vfat defaults 0 2\n/swapfile none swap sw 0 0\n"
)
COMMAND_LINE = f"console=ttyS0 root=PARTUUID={DISK}-02 rootfstype=ext4 rootwait\n"
FEATURES = "^orphan_file,^metadata_csum_seed,^64bit"


@dataclass(frozen=True)
class Board:
    share: Path
    card: BootingCard
    archive: Path
    work: Path


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    require_tools()
    need("losetup", "tar", "setfattr", "mkfs.btrfs")
    work = tmp_path_factory.mktemp("board")
    root, boot = work / "root", work / "boot"
    _fill(root)
    boot.mkdir()
    (boot / "cmdline.txt").write_text(COMMAND_LINE)
    (boot / "overlays").mkdir()
    (boot / "overlays" / "A long name.dtbo").write_bytes(os.urandom(70_000))
    card = make_booting_card(work, root, boot, root_mib=200, options=("-O", FEATURES, "-m", "1"), fstab=FSTAB)
    with card.path.open("r+b") as file:
        for place in (300, 8192):
            file.seek(place)
            file.write(LOADER)
    # As the board sees it: with its boot partition mounted.
    for each in boot.iterdir():
        tool("cp", "-a", each, root / "boot" / "firmware")
    archive = make_archive(root, work / "board.tar")
    share = make_share(work / "share")
    _complete(share, put_capture(share, archive, source="/"), card)
    # A newer one of a folder only, which is never the one that is meant for a card.
    put_capture(share, make_archive(boot, work / "folder.tar"), number=2, source="/srv/music")
    yield Board(share, card, archive, work)


def _fill(root: Path) -> None:
    for name in ("etc", "usr/bin", "var/lib", "srv", "boot", "dev", "proc"):
        (root / name).mkdir(parents=True)
    for number in range(400):
        (root / "srv" / f"reading{number:03}").write_bytes(os.urandom(number * 97))
    big = root / "var/lib/sparse"
    with big.open("wb") as file:
        file.truncate(30 * MIB)
        file.seek(20 * MIB)
        file.write(b"grown")
    # Lines of a Debian kernel's lists (linux-image-6.1.0-18-arm64), of which most are left out.
    modules = root / "lib/modules/6.1.0-18-arm64"
    modules.mkdir(parents=True)
    (modules / "modules.builtin").write_text("kernel/fs/mbcache.ko\nkernel/fs/jbd2/jbd2.ko\nkernel/fs/ext4/ext4.ko\n")
    dependencies = "kernel/crypto/xor.ko kernel/lib/raid6/raid6_pq.ko"
    (modules / "modules.dep").write_text(f"kernel/fs/btrfs/btrfs.ko: {dependencies}\nkernel/fs/fuse/fuse.ko:\n")
    program = root / "usr/bin/helper"
    program.write_bytes(b"#!/bin/sh\n")
    os.link(program, root / "usr/bin/helper-too")
    os.chown(program, 0, 8)
    program.chmod(0o4755)
    (root / "usr/bin/link").symlink_to("../../etc/fstab")
    os.mkfifo(root / "var/lib/pipe", 0o640)
    os.mknod(root / "dev/null", 0o020666, os.makedev(1, 3))
    (root / "dev/null").chmod(0o666)
    (root / os.fsdecode(b"srv/no\xffUTF-8")).mkdir()
    os.chown(root / "srv", 1000, 1000)
    tool("setfattr", "-n", "user.origin", "-v", "greenhouse", root / "srv/reading001")
    os.utime(root / "srv/reading002", ns=(1_500_000_000_123_456_789,) * 2)


def _complete(share: Path, capture: str, card: BootingCard) -> None:
    """Gives the record what a capture of a whole board has."""
    shelf = open_shelf(share, "shed")
    (record,) = captures_of(shelf)[0].records
    places = {1: "/boot/firmware", 2: "/"}
    with FileReader(card.path) as reader:
        card_map = read_card_map(reader, None)
        head = take_head(reader, plan_head(card_map, places), shelf, capture, True, Stop())
        whole = replace(record, layout=layout_of_board(reader, card_map, places), head=head)
    shelf.storage.unlink(record_name(capture))
    about = {"backupctl": "capture", "format": 1, "shelf": shelf.mark.id}
    features: dict[str, list[str]] = {"harmless": [], "readers": [], "required": []}
    write_whole(shelf.storage, record_name(capture), seal({**about, **asdict(whole), "features": features}))


def test_where_the_volumes_of_a_card_are_mounted(board: Board) -> None:
    """A mount of a folder of it does not count."""
    with attached(board.card.path) as device, partition(device, 2, board.card.root_start, board.card.root_size) as root:
        with FileReader(board.card.path) as reader:
            card_map = read_card_map(reader, None)
        assert where_mounted(disk_of(device), card_map) == {}
        with (
            mounted(root, board.work / "at", "-o", "ro") as place,
            mounted(str(place / "etc"), board.work / "etc", "--bind"),
        ):
            assert where_mounted(disk_of(device), card_map) == {2: str(place)}
            shelf = open_shelf(board.share, "shed")
            shelf.storage.make_folder("captures/trial")
            taken = take_board(Path(device), {str(place)}, shelf, "trial", True, Stop())
        shelf.storage.unlink("captures/trial/head.zst")
        shelf.storage.remove_folder("captures/trial")
        with FileReader(board.card.path) as reader:
            offline = layout_of_board(reader, card_map, {2: str(place)})
        volumes: Any = (taken.layout["volumes"], offline["volumes"])
        assert [{**about, "free": 0} for about in volumes[0]] == [{**about, "free": 0} for about in volumes[1]]
        assert "partition 1 (fat16, 24.0 MiB) is not mounted" in taken.warnings[0]


def table_of(card: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("sfdisk", "--json", card))["partitiontable"]
    return found


def blkid(card: Path | str, start: int) -> dict[str, str]:
    said = run("blkid", "-p", "-o", "export", "-O", str(start * 512), str(card))
    return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)


def dumpe2fs(card: Path, start: int) -> dict[str, str]:
    told = run("dumpe2fs", "-h", f"{card}?offset={start * 512}")
    return {key: value.strip() for key, _, value in (line.partition(":") for line in told.splitlines())}


def check_boot(board: Board, card: Path) -> str:
    """The FAT and what is in it; returns its command line."""
    start = table_of(card)["partitions"][0]["start"]
    assert blkid(card, start)["UUID"] == BOOT
    assert blkid(card, start)["LABEL"] == "FIRMWARE"
    fat = board.work / "fat"
    fat.write_bytes(card.read_bytes()[start * 512 : start * 512 + 24 * MIB])
    run("fsck.vfat", "-n", fat)
    name = "overlays/A long name.dtbo"
    out = board.work / "out"
    out.unlink(missing_ok=True)
    run("mcopy", "-i", fat, f"::{name}", out)
    assert out.read_bytes() == (board.card.boot / name).read_bytes()
    out.unlink()
    run("mcopy", "-i", fat, "::cmdline.txt", out)
    return out.read_text()


def compare(board: Board, device: str, place: Path, *besides: str, options: tuple[str, ...] = ()) -> Path:
    """GNU tar compares the archive with what is mounted, the boot partition's files apart."""
    excluded = [f"--exclude=./{name}" for name in ("boot/firmware/*", *besides)]
    with mounted(device, place, "-o", "ro"):
        tool("tar", "--compare", "--xattrs", "--acls", "--numeric-owner", *excluded, "-f", board.archive, "-C", place)
        assert list((place / "boot/firmware").iterdir()) == []
        assert tool("getfattr", "-n", "user.origin", "--only-values", place / "srv/reading001") == "greenhouse"
        assert (place / "srv/reading002").stat().st_mtime_ns == 1_500_000_000_123_456_789
        assert (place / "usr/bin/helper").stat().st_ino == (place / "usr/bin/helper-too").stat().st_ino
        (board.work / "fstab").write_bytes((place / "etc/fstab").read_bytes())
    return board.work / "fstab"


@pytest.mark.parametrize("size", [120 * MIB, 400 * MIB])
def test_into_a_file_for_another_card(board: Board, size: int) -> None:
    card = board.work / f"card-{size}.img"
    done = backupctl(board.share, "restore", "newest", card, "--board", "shed", "--size", f"{size // 512} sectors",
                     "--scratch", board.work, "--json").json  # fmt: skip
    assert any("/swapfile" in text for text in done["plan"]["warnings"])
    assert not done["picked"]["skipped"]
    assert not done["picked"]["lost"] and not done["picked"]["unset"]
    assert card.stat().st_size == size
    old, new = table_of(board.card.path), table_of(card)
    assert new["id"] == old["id"] == f"0x{DISK}"
    for before, after in zip(old["partitions"], new["partitions"], strict=True):
        assert (after["start"], after["type"]) == (before["start"], before["type"])
    assert new["partitions"][0]["size"] == old["partitions"][0]["size"]
    root = new["partitions"][1]
    assert 0 <= size // 512 - root["start"] - root["size"] <= 2048 + 2 * 2048  # as far from the end as it was
    assert run("e2fsck", "-fn", f"{card}?offset={root['start'] * 512}")
    was, made = (dumpe2fs(path, root["start"]) for path in (board.card.path, card))
    for key in ("Filesystem UUID", "Filesystem volume name", "Block size", "Inode size"):
        assert made[key] == was[key], key
    assert set(made["Filesystem features"].split()) == set(was["Filesystem features"].split())
    assert made["Filesystem UUID"] == ROOT
    assert int(made["Block count"]) * int(made["Block size"]) == root["size"] * 512 // 4096 * 4096
    head, original = card.read_bytes()[:MIB], board.card.path.read_bytes()[:MIB]
    assert head[:440] == original[:440]
    assert head[512:] == original[512:]
    assert LOADER in head
    assert check_boot(board, card) == COMMAND_LINE
    with attached(card, offset=root["start"] * 512) as device:
        assert compare(board, device, board.work / "look").read_text() == FSTAB
    card.unlink()


def test_onto_a_card_with_another_file_system(board: Board) -> None:
    """And the card was something else before; another one is made a clone."""
    image = board.work / "device.img"
    with image.open("wb") as file:
        file.truncate(600 * MIB)
    with attached(image) as device:
        tool("mkfs.btrfs", "-q", "-f", "-L", "old", device)
        done = backupctl(
            board.share, "restore", "newest", device, "--board", "shed", "--file-system", "btrfs", "--erase", device,
            "--yes", "--scratch", board.work,
        )  # fmt: skip
        assert "rootfstype=btrfs" in done.out
        assert "6.1.0-18-arm64 loads btrfs as a module" in " ".join(done.out.split())
    root = table_of(image)["partitions"][1]
    known = blkid(image, root["start"])
    assert (known["TYPE"], known["UUID"], known["LABEL"]) == ("btrfs", ROOT, "rootfs")
    assert check_boot(board, image) == COMMAND_LINE.replace("ext4", "btrfs")
    with attached(image, offset=root["start"] * 512) as device:
        tool("btrfs", "check", "--readonly", device)
        fstab = compare(board, device, board.work / "look", "etc/fstab").read_text()
    assert fstab == FSTAB.replace("ext4 noatime,errors=remount-ro,commit=30 0 1", "btrfs noatime 0 0")
    image.unlink()


def test_what_does_not_fit_is_refused_before_anything_is_written(board: Board) -> None:
    card = board.work / "small.img"
    ended = backupctl(board.share, "restore", "newest", card, "--board", "shed", "--size", f"{34 * MIB // 512} sectors",
                      "--scratch", board.work, code=3)  # fmt: skip
    assert "does not fit" in ended.err
    assert "are missing" in ended.err
    assert not card.exists()
    ended = backupctl(board.share, "restore", "newest", card, "--board", "shed", "--file-system", "f2fs",
                      "--scratch", board.work, "--dry-run", code=3)  # fmt: skip
    assert "(6.1.0-18-arm64) does not know f2fs" in ended.err
    left = tool("losetup", "--all") + Path("/proc/self/mountinfo").read_text()
    assert "backupctl-making" not in left
    assert str(board.work) not in left


def test_a_smaller_card_with_a_gpt(tmp_path: Path) -> None:
    """All that sfdisk tells of it is as it was, but for the size of the last partition; sgdisk finds nothing wrong."""
    require_tools()
    need("sgdisk")
    (tmp_path / "root").mkdir()
    (tmp_path / "boot").mkdir()
    card = make_booting_card(tmp_path, tmp_path / "root", tmp_path / "boot", root_mib=48, gpt=True)
    # No FAT has links; this one leads out of everything that is restored.
    (tmp_path / "root/boot/firmware/leak").symlink_to("/etc/passwd")
    (tmp_path / "root/boot/firmware/cmdline.txt").write_text(COMMAND_LINE)
    share, made = make_share(tmp_path / "share"), tmp_path / "made.img"
    _complete(share, put_capture(share, make_archive(tmp_path / "root", tmp_path / "tar"), source="/"), card)
    ended = backupctl(
        share,
        "restore",
        "newest",
        made,
        "--size",
        f"{50 * MIB // 512} sectors",
        "--scratch",
        tmp_path,
        "--json",
        code=None,
    )
    assert ended.json["picked"]["skipped"] == [["/boot/firmware/leak", "a FAT holds files and folders only"]]
    assert run("mdir", "-/", "-b", "-i", f"{made}@@{MIB}", "::").split() == ["::/cmdline.txt"]
    old, new = (json.loads(run("sfdisk", "--json", path))["partitiontable"] for path in (card.path, made))
    assert "No problems found" in run("sgdisk", "--verify", made)
    assert new.pop("lastlba") == 50 * MIB // 512 - 34
    old.pop("lastlba")
    for table, path in ((old, card.path), (new, made)):
        for entry in table["partitions"]:
            entry["node"] = entry["node"].removeprefix(str(path))
        assert table.pop("device") == str(path)
        table["partitions"][1].pop("size")
    assert new == old
    assert run("e2fsck", "-fn", f"{made}?offset={card.root_start}")


def test_a_drill(board: Board) -> None:
    """It has no kernel, and is told so; what it has is looked at, and nothing is left behind."""
    told = backupctl(board.share, "drill", "--board", "shed", "--scratch", board.work, "--json", code=None).json
    outcome = {finding["name"]: finding["outcome"] for finding in told["findings"]}
    assert {outcome[name] for name in ("partition 1 (fat16)", "partition 2 (ext4)", "partition table")} == {"well"}
    assert outcome["fstab"] == "well"  # though its swap file was left out
    assert "backupctl-making" not in Path("/proc/self/mountinfo").read_text()


def test_a_clone(board: Board) -> None:
    card = board.work / "clone.img"
    backupctl(board.share, "restore", "newest", card, "--board", "shed", "--new-identity", "--scratch", board.work)
    table = table_of(card)
    assert table["id"] != f"0x{DISK}"
    root = table["partitions"][1]
    assert blkid(card, root["start"])["UUID"] != ROOT
    assert run("e2fsck", "-fn", f"{card}?offset={root['start'] * 512}")
    assert check_command_line(board, card) == COMMAND_LINE.replace(DISK, table["id"].removeprefix("0x"))
    card.unlink()


def check_command_line(board: Board, card: Path) -> str:
    start = table_of(card)["partitions"][0]["start"]
    return subprocess.run(
        ["mtype", "-i", f"{card}@@{start * 512}", "::cmdline.txt"], capture_output=True, text=True, check=True
    ).stdout


def test_the_page_for_the_bad_day_knows_it(board: Board) -> None:
    """And says that no other way leads to a card."""
    (said,) = backupctl(board.share, "sheet", "--json").json["boards"]
    size = board.card.path.stat().st_size
    assert (said["holds_files"], said["card_bytes"], said["card_sectors"]) == (True, size, size // 512)
    assert "The newest copy of shed holds files" in " ".join(backupctl(board.share, "sheet").out.split())
