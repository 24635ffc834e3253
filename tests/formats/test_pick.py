"""Files picked out of a capture, against the trees that mke2fs and mtools put onto the card."""

from __future__ import annotations

import os
import re
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.picked_folder import PickedFolder
from backupctl.operations.picking.picking import Picker
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.share.shelf import open_shelf
from tests.booting_card import BootingCard, make_booting_card, share_of
from tests.card_images import require_tools, run
from tests.program import backupctl, here
from tests.real_tree import attributes, described, make_tree
from tests.shelf_of_card import flip, unpacked

pytestmark = pytest.mark.formats


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> BootingCard:
    require_tools()
    folder = tmp_path_factory.mktemp("card")
    root, boot = make_tree(folder / "root", 25), folder / "boot"
    (boot / "overlays").mkdir(parents=True)
    (boot / "config.txt").write_text("gpu=1\n")
    (boot / "overlays" / "clock.dtbo").write_bytes(b"tree" * 900)
    (root / "etc" / "now").symlink_to("/boot/firmware/config.txt")
    (root / "etc" / "outside").symlink_to("../../../../../../../../etc/fstab")
    (root / "etc" / "circle").symlink_to("circle")
    (root / "root").mkdir(mode=0o700)
    (root / "root" / "key").write_text("not for everybody")
    (root / "root" / "key").chmod(0o644)
    (root / "etc" / "one.conf").write_text("one")
    (root / "etc" / "two.conf").write_text("two")
    os.setxattr(root / "etc" / "one.conf", "user.note", b"kept")
    return make_booting_card(folder, root, boot, 160, ("-O", "^metadata_csum"))


@pytest.fixture(scope="module")
def share(card: BootingCard, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return share_of(card, tmp_path_factory.mktemp("share"))


@contextmanager
def opened(share: Path, unreadable: tuple[tuple[int, int], ...] = ()) -> Iterator[CapturedFiles]:
    shelf = open_shelf(share, "shed")
    captures, history = captures_of(shelf)
    record = replace(find_capture(captures, "newest"), unreadable=unreadable)
    with CaptureView(shelf, history, record, lambda _: None) as view:
        yield CapturedFiles(view)


def everything(folder: Path) -> dict[str, tuple[object, ...]]:
    """As `described`, in whole seconds, which is what mke2fs keeps, and without set-user-ID."""
    found: dict[str, tuple[object, ...]] = {}
    for path in folder.rglob("*"):
        kind, mode, user, group, modified, content = described(path)
        if "device" not in kind and kind != "socket" and path.name != "length 59":
            mode &= ~0o6000 if kind == "file" else ~0
            found[str(path.relative_to(folder))] = (kind, mode, user, group, modified // 10**9, content)
    return found


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for the owners")
def test_the_whole_tree_is_as_on_the_board(card: BootingCard, share: Path, tmp_path: Path) -> None:
    done = backupctl(share, "pick", "newest", "/", tmp_path / "all", "--json").json
    got = everything(tmp_path / "all")
    del got["lost+found"]
    for path, value in everything(card.boot).items():
        found = got.pop(f"boot/firmware/{path}")
        # FAT has no permissions, so nobody else may read it; its clock goes in steps of two seconds.
        assert (found[0], found[5]) == (value[0], value[5])
        assert found[1:4] == (0o700 if found[0] == "folder" else 0o600, 0, 0)
        assert found[0] == "folder" or 0 <= value[4] - found[4] <= 2  # type: ignore[operator]
    del got["boot/firmware"]
    expected = everything(card.root)
    del expected["boot/firmware"]
    assert got == expected

    linked = [(tmp_path / "all" / "odd" / name).stat() for name in ("linked", "in pieces")]
    assert linked[0].st_ino == linked[1].st_ino
    assert (tmp_path / "all" / "odd" / "sparse").stat().st_blocks * 512 < 1 << 20
    assert os.getxattr(tmp_path / "all" / "etc" / "one.conf", "user.note") == b"kept"
    assert done["picked"]["lost_count"] == 0
    assert done["picked"]["unset"] == {
        "devices, not made": 2,
        "set-user-ID and set-group-ID": 1,
        "capabilities of programs": 1,
    }

    special = backupctl(share, "pick", "newest", "/odd", tmp_path / "odd", "--special", "--json").json
    assert special["picked"]["unset"] == {}
    for original in card.root.glob("odd/*"):
        assert attributes(tmp_path / "odd" / original.name) == attributes(original), original
    assert stat.S_IMODE((tmp_path / "odd" / "length 61").stat().st_mode) == 0o6755
    assert described(tmp_path / "odd" / "large numbers")[5] == "300:70000"


def test_a_path_is_followed_on_the_card_and_only_there(card: BootingCard, share: Path, tmp_path: Path) -> None:
    def picked(path: str, *more: str) -> Path:
        target = tmp_path / f"picked {len(list(tmp_path.iterdir()))}"
        assert here(share, "pick", "newest", path, target, *more).code == 0
        return target

    assert picked("/boot/firmware/config.txt").read_text() == "gpu=1\n"
    assert picked("/boot/firmware/CONFIG.TXT").read_text() == "gpu=1\n"
    assert picked("/config.txt", "--partition", "1").read_text() == "gpu=1\n"
    assert picked("/etc/now").read_text() == "gpu=1\n"
    assert picked("etc/outside").read_bytes() == (card.root / "etc" / "fstab").read_bytes()
    assert picked("/etc/circle").is_symlink()
    key = picked("/root/key")
    assert stat.S_IMODE(key.stat().st_mode) == 0o600  # its folder was closed

    out = backupctl(share, "pick", "newest", "/etc/now", "-")
    assert out.out == "gpu=1\n"
    assert "link to /boot/firmware/config.txt" in out.err
    for path, why in (("/etc/none", "no none in /etc"), ("/srv/music/a", "mounted from nas.lan:/music"),
                      ("/etc/fstab/x", "no folder"), ("/etc/q*", "nothing matches")):  # fmt: skip
        told = here(share, "pick", "newest", path, tmp_path)
        assert (told.code, why in told.err) == (2, True), told


def test_nothing_is_overwritten_and_a_pattern_takes_what_it_says(share: Path, tmp_path: Path) -> None:
    backupctl(share, "pick", "newest", "/etc/*.conf", tmp_path, "--dry-run")
    assert list(tmp_path.iterdir()) == []
    backupctl(share, "pick", "newest", "/etc/[ot]*.conf", tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.conf", "two.conf"]
    (tmp_path / "one.conf").write_text("mine")
    told = backupctl(share, "pick", "newest", "/etc/one.conf", tmp_path, code=3)
    assert "exists already" in told.err
    assert (tmp_path / "one.conf").read_text() == "mine"
    backupctl(share, "pick", "newest", "/etc/one.conf", tmp_path / "none" / "x", code=3)


def test_who_is_not_root_gets_no_file_that_others_may_read_more(share: Path, tmp_path: Path) -> None:
    with opened(share) as files, PickedFolder.existing(tmp_path) as top:
        picker = Picker(files, special=True, is_root=False, total=0, reporter=Quiet(), stop=Stop())
        picker.pick(files.find(b"/odd"), top, "odd")
    assert picker.result.unset["devices, not made"] == 2 * (os.geteuid() == 0)
    for path in (tmp_path / "odd").rglob("*"):
        found = path.lstat()
        assert found.st_uid == os.geteuid()
        # The group is another one here: it may not do what not everybody may.
        assert path.is_symlink() or not (found.st_mode & 0o6000 or found.st_mode >> 3 & ~found.st_mode & 7)


def test_what_the_card_did_not_give_is_told(share: Path, tmp_path: Path) -> None:
    with opened(share) as files:
        found = files.find(b"/odd/in pieces")
        piece = list(found.tree.pieces(found.node))[3]
        at = files.volume_of(found).start + piece.place
    with opened(share, ((at, at + 512),)) as files, PickedFolder.existing(tmp_path) as top:
        picker = Picker(files, special=False, is_root=False, total=0, reporter=Quiet(), stop=Stop())
        picker.pick(files.find(b"/odd"), top, "odd")
        assert sorted(picker.result.unreadable) == ["/odd/in pieces"]  # once, though it has two names
        assert not files.unreadable(files.find(b"/odd/sparse"))


def test_hostile_folders_lead_nowhere(card: BootingCard, tmp_path: Path) -> None:
    """A folder with the name of a link beside it; one that is in itself; a number of no file."""
    image, outside = tmp_path / "card.img", tmp_path / "outside"
    outside.mkdir()
    volume = tmp_path / "volume"
    run("dd", f"if={card.path}", f"of={volume}", "bs=1M", "skip=26", "count=160", "status=none")
    script = tmp_path / "commands"
    script.write_text(
        f"mkdir /evil\nsymlink /evil/trap0 {outside}\nmkdir /evil/trap1\nwrite /dev/null /evil/trap1/inside\n"
        "mkdir /evil/deep\nln /evil /evil/deep/again\nwrite /dev/null /evil/gone\nwrite /dev/null /evil/last\n"
        "clri /evil/gone\n"
    )
    run("debugfs", "-w", "-f", script, volume)
    data = volume.read_bytes()
    assert data.count(b"trap1") == 1
    volume.write_bytes(data.replace(b"trap1", b"trap0"))
    run("cp", card.path, image)
    run("dd", f"if={volume}", f"of={image}", "bs=1M", "seek=26", "conv=notrunc", "status=none")
    share = tmp_path / "share"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    backupctl(share, "capture", "--board", "shed", "--source", image, code=None)

    done = backupctl(share, "pick", "newest", "/evil", tmp_path / "evil", "--json", code=5).json["picked"]
    assert list(outside.iterdir()) == []
    assert (tmp_path / "evil" / "trap0").is_symlink()
    assert (tmp_path / "evil" / "last").exists()
    assert [path for path, _ in done["skipped"]] == ["/evil/trap0"]
    assert {path for path, _ in done["lost"]} == {"/evil/gone", "/evil/deep/again"}


def test_damage_on_the_share_takes_only_what_it_hit(share: Path, tmp_path: Path) -> None:
    with opened(share) as files:
        found = files.find(b"/odd/in pieces")
        at = files.volume_of(found).start + list(found.tree.pieces(found.node))[700].place
    copy = tmp_path / "share"
    shutil.copytree(share, copy)
    shelf = copy / "boards" / "shed"
    (contents,) = shelf.glob("captures/*/contents.0.tsv.zst")
    lines = [line.split("\t") for line in unpacked(contents).splitlines() if line[0] != "#"]
    hash = next(line[3] for line in lines if int(line[0]) <= at < int(line[0]) + int(line[1]))
    hit = False
    for table in shelf.glob("stock/*.table.zst"):
        for line in unpacked(table).splitlines():
            if line.startswith(hash):
                fields = line.split("\t")
                flip(table.with_name(table.name.replace(".table", "")), int(fields[2]) + int(fields[3]) // 2, 2)
                hit = True
    assert hit
    told = here(copy, "pick", "newest", "/odd/in pieces", tmp_path / "piece")
    assert (told.code, "no other copy" in told.err) == (5, True), told
    assert not (tmp_path / "piece").exists()
    done = here(copy, "pick", "newest", "/odd", tmp_path / "odd", "--json")
    assert done.code == 5
    lost = {path for path, _ in done.json["picked"]["lost"]}
    assert lost >= {"/odd/in pieces", "/odd/linked"}
    assert done.json["picked"]["lost_count"] == len(lost)
    picked = {f"/odd/{path.name}" for path in (tmp_path / "odd").iterdir()}
    assert not picked & lost
    assert len(picked) > 20
    assert not list(tmp_path.glob(".*"))  # nothing unfinished stays


def test_when_a_file_changed_is_told(card: BootingCard, tmp_path: Path) -> None:
    image, share, new = tmp_path / "card.img", tmp_path / "share", tmp_path / "new"
    run("cp", card.path, image)
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    taken = []
    for content in ("gpu=1\n", "gpu=1\n", "gpu=2\nturbo=1\n"):
        new.write_text(content)
        os.utime(new, (0, 1_800_000_000))
        run("mcopy", "-o", "-m", "-i", f"{image}@@1M", new, "::config.txt")
        taken.append(backupctl(share, "capture", "--board", "shed", "--source", image, "--json").json["id"])
    found = backupctl(share, "pick", "--when-changed", "/boot/firmware/config.txt", "--json").json
    assert [(v["capture"], v["size"], v["kind"]) for v in found["versions"]] == [
        (taken[0], 6, "file"), (taken[1], 6, "file"), (taken[2], 14, "file"),
    ]  # fmt: skip
    assert [(c["before"], c["after"], c["what"]) for c in found["changes"]] == [(taken[1], taken[2], ["content"])]
    assert found["changes"][0]["diff"][3:] == ["-gpu=1", "+gpu=2", "+turbo=1"]
    assert "content changed" in backupctl(share, "pick", "--when-changed", "/boot/firmware/config.txt").out
    # A folder's own time is another one only if a name came or went: what is below it is looked at.
    (change,) = backupctl(share, "pick", "--when-changed", "/boot/firmware", "--json").json["changes"]
    assert (change["before"], change["after"], change["what"]) == (taken[1], taken[2], ["content"])
    sizes = [re.fullmatch(r"([-+]config\.txt)  file  .*  (\d+) bytes  .*", line) for line in change["diff"][2:]]
    assert [found.groups() for found in sizes if found] == [("-config.txt", "6"), ("+config.txt", "14")]
    same = backupctl(share, "pick", "--when-changed", "/boot/firmware/overlays").out
    assert "It is the same in all of them" in same and "not the content" in " ".join(same.split())
    for path, why in (("/none", "is in none of 3"), ("/boot/firmware/*.txt", "a pattern is not taken")):
        assert why in backupctl(share, "pick", "--when-changed", path, code=2).err
    lost = backupctl(share, "pick", "newest", "/config.txt", "--partition", "7", tmp_path, code=2).err
    assert "has no partition 7" in lost and "the partitions 1, 2" in lost
