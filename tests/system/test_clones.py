"""A clone beside its original: every identity is another one, by blkid and partx, and files name the new ones."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest

from backupctl.domain.errors import Refused
from backupctl.operations.restoring.cloning import CloneWishes
from backupctl.operations.restoring.suiting import Changes
from tests.card_images import MIB, run
from tests.system.loop_device import attached, need, tool
from tests.system.test_other_sizes import assert_table_verifies, places, sparse, table_of
from tests.system.test_restore_card import full_of_ff, restored, shelf_with, unharmed

pytestmark = pytest.mark.system

ROOT, SWAP, SERIAL = "5eed1111-0f0d-4a52-9c37-51b6a1d0c011", "5eed2222-0f0d-4a52-9c37-51b6a1d0c022", "5EED-0033"
TABLES = {
    "mbr": "label: dos\nlabel-id: 0x5eedc10e\nsize=16MiB, type=c\nsize=5MiB, type=82\ntype=83\n",
    "gpt": "label: gpt\nsize=16MiB, type=U\nsize=5MiB, type=S\ntype=L\n",
}
FSTAB = """\
# PARTUUID={boot} was there first
PARTUUID={boot} /boot/firmware vfat defaults 0 2
UUID={root} / ext4 defaults,noatime 0 1
/dev/disk/by-uuid/{swap} none swap sw 0 0
LABEL=harvest /srv ext4 nofail 0 2
"""
COMMAND_LINE = "console=serial0 root=PARTUUID={part} resume=UUID={swap} rootwait\n"
MENU = "search --no-floppy --fs-uuid --set=root {root}\nlinux /vmlinuz root=UUID={ROOT} ro\n# {serial} {root}-a\n"


def parts_of(path: Path | str) -> list[str]:
    """PARTUUIDs, by partx(8)."""
    return tool("partx", "--show", "--noheadings", "-o", "UUID", str(path)).split()


def identity(image: Path, start: int) -> str:
    return tool("blkid", "-p", "-O", str(start * 512), "-o", "value", "-s", "UUID", image).strip()


def names(image: Path) -> dict[str, str]:
    boot, swap, root = (identity(image, start) for start, _ in places(image))
    parts = parts_of(image)
    return {"serial": boot, "swap": swap, "root": root, "ROOT": root.upper(), "boot": parts[0], "part": parts[2]}


def board_card(folder: Path, scheme: str, block: int = 4096) -> Path:
    """A FAT, swap, and an ext4 with what a board has in /etc and /boot."""
    folder.mkdir()
    path = sparse(folder / "card.img", 80 * MIB)
    run("sfdisk", "-q", path, stdin=TABLES[scheme])
    (boot, boot_size), (swap, swap_size), (root, root_size) = places(path)
    run("mkfs.vfat", "-i", SERIAL.replace("-", ""), f"--offset={boot}", path, str(boot_size // 2))
    area = sparse(folder / "swap.img", swap_size * 512)
    run("mkswap", "-U", SWAP, area)
    tool("dd", f"if={area}", f"of={path}", "bs=512", f"seek={swap}", "conv=notrunc", "status=none")
    parts = parts_of(path)
    words = {"serial": SERIAL, "swap": SWAP, "root": ROOT, "ROOT": ROOT.upper(), "boot": parts[0], "part": parts[2]}
    tree = folder / "tree"
    for name, text in {
        "etc/fstab": FSTAB.format(**words), "etc/hostname": "shed\n", "etc/machine-id": "5eed" * 8 + "\n",
        "etc/hosts": "127.0.0.1 localhost\n127.0.1.1 shed.lan shed\n10.0.0.9 toolshed shed-2\n",
        "etc/ssh/ssh_host_ed25519_key": "a secret\n", "etc/ssh/ssh_host_ed25519_key.pub": "not one\n",
        "etc/ssh/sshd_config": "Port 22\n", "boot/grub/grub.cfg": MENU.format(**words) * 40,
        "var/lib/systemd/random-seed": "seed", "var/log/boot.log": f"mounted {ROOT}\n",
    }.items():  # fmt: skip
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(text)
    (tree / "etc/fstab").chmod(0o640)
    extended = f"offset={root * 512},root_owner=0:0"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-b", str(block), "-U", ROOT, "-d", tree, "-E", extended, path,
        f"{root_size // 2}k")  # fmt: skip
    (folder / "cmdline.txt").write_text(COMMAND_LINE.format(**words))
    (folder / "notes.txt").write_text("nothing that is named elsewhere\n")
    run("mcopy", "-i", f"{path}@@{boot * 512}", folder / "cmdline.txt", folder / "notes.txt", "::")
    return path


def cat(image: Path, name: str) -> str:
    return run("debugfs", "-R", f"cat {name}", f"{image}?offset={places(image)[2][0] * 512}")


@pytest.mark.parametrize(("scheme", "block"), [("mbr", 4096), ("gpt", 1024)])
def test_everything_is_another_one(tmp_path: Path, scheme: str, block: int) -> None:
    need("sfdisk", "partx", "blkid", "debugfs", "mcopy", "tune2fs", "dumpe2fs")
    card = board_card(tmp_path / "made", scheme, block)
    shelf = shelf_with(tmp_path, card)
    target = full_of_ff(tmp_path / "target.img", 80 * MIB)
    wishes = CloneWishes(new_identity=True, host_name="potting-shed", forget_machine=True)
    with attached(target) as device:
        plan = restored(shelf, device, changes=Changes(clone=wishes, scratch=tmp_path))["plan"]
        assert_table_verifies(device, table_of(device)["label"])
    before, after = names(card), names(target)
    assert before["root"] == ROOT and before["swap"] == SWAP and before["serial"] == SERIAL
    assert table_of(card)["id"] != table_of(target)["id"]
    assert not set(parts_of(card)) & set(parts_of(target))
    assert all(before[name] != after[name] for name in before)
    assert places(card) == places(target)
    start = places(target)[2][0] * 512
    run("e2fsck", "-fn", f"{target}?offset={start}")
    with attached(target, offset=places(target)[0][0] * 512) as boot:
        run("fsck.vfat", "-n", boot)
        assert run("mtype", "-i", boot, "::cmdline.txt") == COMMAND_LINE.format(**after)
        assert run("mtype", "-i", boot, "::notes.txt") == "nothing that is named elsewhere\n"
    assert cat(target, "/etc/fstab") == FSTAB.format(**after)
    # What only begins like an identity is none.
    assert cat(target, "/boot/grub/grub.cfg") == (MENU.format(**after).replace(f"{after['root']}-a", f"{ROOT}-a") * 40)
    assert "Mode:  0640" in run("debugfs", "-R", "stat /etc/fstab", f"{target}?offset={start}")
    assert cat(target, "/var/log/boot.log") == f"mounted {ROOT}\n"  # a log says what was
    assert cat(target, "/etc/hostname") == "potting-shed\n"
    assert cat(target, "/etc/hosts") == (
        "127.0.0.1 localhost\n127.0.1.1 potting-shed.lan potting-shed\n10.0.0.9 toolshed shed-2\n"
    )
    assert cat(target, "/etc/machine-id") == ""
    listed = run("debugfs", "-R", "ls -p /etc/ssh", f"{target}?offset={start}")
    assert "sshd_config" in listed and "ssh_host" not in listed
    assert "random-seed" not in run("debugfs", "-R", "ls -p /var/lib/systemd", f"{target}?offset={start}")
    told, warned = " ".join(plan["changes"]), " ".join(plan["warnings"])
    for name in ("root", "swap", "serial"):
        assert f"{before[name]} becomes {after[name]}" in told
    assert re.search(r"/etc/fstab of partition 3 is changed in 4 places", told)
    assert "/cmdline.txt of partition 1 is changed in 2 places" in told
    for words in ("/etc/fstab of partition 3 may name a volume by its label", "initial RAM disk", "ssh-keygen -A"):
        assert words in warned


def test_what_cannot_be_changed_is_refused(tmp_path: Path) -> None:
    """A boot script with a header, as made by mkimage, has a checksum of its text."""
    need("sfdisk", "mcopy")
    card = board_card(tmp_path / "made", "mbr")
    script = tmp_path / "boot.scr"
    script.write_bytes(
        struct.pack(">II", 0x27051956, 0) + bytes(56) + f"setenv root PARTUUID={parts_of(card)[2]}\n".encode()
    )
    run("mcopy", "-i", f"{card}@@{places(card)[0][0] * 512}", script, "::")
    shelf = shelf_with(tmp_path, card)
    target = full_of_ff(tmp_path / "target.img", 80 * MIB)
    changes = Changes(clone=CloneWishes(new_identity=True), scratch=tmp_path)
    with attached(target) as device, unharmed(target), pytest.raises(Refused, match=r"/boot\.scr of partition 1"):
        restored(shelf, device, changes=changes)


def test_twins_are_told_of(tmp_path: Path) -> None:
    need("sfdisk")
    card = board_card(tmp_path / "made", "mbr")
    shelf = shelf_with(tmp_path, card)
    target = full_of_ff(tmp_path / "target.img", 80 * MIB)
    with attached(target) as device:
        assert not any("--new-identity" in text for text in restored(shelf, device, dry_run=True)["plan"]["warnings"])
        with attached(card) as original:
            said = restored(shelf, device)["plan"]["warnings"]
            assert any(f"{original} has the same disk signature (5eedc10e)" in text for text in said)
            clone = Changes(clone=CloneWishes(new_identity=True), scratch=tmp_path)
            said = restored(shelf, device, dry_run=True, changes=clone)["plan"]["warnings"]
            assert not any("has the same" in text for text in said)


def test_a_machine_that_has_nothing_to_forget(tmp_path: Path) -> None:
    """Such as a clone of a clone."""
    need("sfdisk", "mcopy")
    card = board_card(tmp_path / "made", "mbr")
    wishes = Changes(clone=CloneWishes(forget_machine=True), scratch=tmp_path)
    told = []
    for number in ("first", "second"):
        (tmp_path / number).mkdir()
        target = full_of_ff(tmp_path / f"{number}.img", 80 * MIB)
        with attached(target) as device:
            plan = restored(shelf_with(tmp_path / number, card), device, changes=wishes)["plan"]
        told.append((" ".join(plan["changes"]), " ".join(plan["warnings"])))
        card = target
    assert "/etc/machine-id of partition 3 is emptied" in told[0][0] and "could be forgotten" not in told[0][1]
    assert told[1][0] == "" and "no SSH host key and no random seed on it that could be forgotten" in told[1][1]
