"""The card that the board runs from, over the share while it works, and a board that boots from what came back."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path

import pytest

from tests.program import backupctl
from tests.rig import recipe
from tests.rig.board import Board, Disk
from tests.rig.rig import MIB, SERVED, Rig
from tests.rig.rig import SHARE as MOUNTED_AT
from tests.system import live_writers
from tests.system.loop_device import attached, mounted
from tests.system.preening import preens

pytestmark = pytest.mark.rig

PLACE = "/var/lib/work"
PROGRAM = f"{PLACE}/live_writers.py"
BOARD = "greenhouse"  # its own name
KINDS = ("packages", "database-wal", "database-delete", "counters", "pair")
PAUSE = 0.4  # the capture lets others go first, and an emulated processor is soon busy with these alone
# What the counters are just before the instant, and just after it.
POLICY = f"""\
[hooks]
before = ["sh", "-c", "cat {PLACE}/counter-* >/run/before"]
after = ["sh", "-c", "cat {PLACE}/counter-* >/run/after"]
"""
_BUSY_SECONDS = 300  # what systemd has to read, and to sync, waits behind all that the writers wrote
MOST_FROZEN_SECONDS = 2.0

# What a board does not change while it boots and runs: all but logs, states, the program that was put in, what Python
# compiles, and a list that the server's start writes anew.
UNCHANGING = ("boot", "etc", "opt/backupctl/lib", "root", "srv", "usr")
CHANGING = re.compile(r".*\.pyc|smbd-shares|__pycache__")


def files_below(root: Path) -> dict[str, object]:
    """What `UNCHANGING` holds."""
    found: dict[str, object] = {}
    for folder, folders, names in chain.from_iterable(os.walk(root / name) for name in UNCHANGING):
        for name in (name for name in (*folders, *names) if not CHANGING.fullmatch(name)):
            path = Path(folder, name)
            status = path.lstat()
            content: object = None
            if path.is_symlink():
                content = path.readlink()
            elif path.is_file():
                content = hashlib.sha256(path.read_bytes()).digest()
            found[str(path.relative_to(root))] = status.st_mode, status.st_uid, status.st_gid, content
    return found


@contextmanager
def root_of(card: Path, place: Path) -> Iterator[Path]:
    with attached(card, offset=recipe.ROOT_START) as root, mounted(root, place, "-o", "ro,noload"):
        yield place


@contextmanager
def at_work(rig: Rig) -> Iterator[None]:
    """Writers on the board's root, and on its boot partition; none may end before the block does."""
    units = " ".join(f"work-{kind}" for kind in KINDS)
    rig.shell(f"mkdir {PLACE} && ln -s /boot/firmware {PLACE}/boot")
    rig.board.send(Path(live_writers.__file__).read_bytes(), PROGRAM)
    for kind in KINDS:
        rig.shell(f"systemd-run --quiet --unit=work-{kind} python3 -B {PROGRAM} {kind} {PLACE} 1 {PAUSE}")
    listed = f"{PLACE}/packages/{live_writers.PACKAGE_LIST}"
    rig.shell(f"for n in $(seq 300); do [ -s {listed} ] && exit 0; sleep 0.1; done; exit 1")
    try:
        yield
        states = rig.board.run(f"systemctl is-active {units}", _BUSY_SECONDS)
        assert states.out.split() == ["active"] * len(KINDS), rig.shell("journalctl --no-pager -u 'work-*' -b")
    finally:
        rig.board.run(f"systemctl stop {units}", _BUSY_SECONDS)


def _numbers(text: bytes) -> list[int]:
    return [int.from_bytes(text[at : at + 8], "little") for at in range(0, len(text), 8)]


def test_the_sheet_mounts_the_share(adopted: Rig) -> None:
    """Its commands for that, as they stand; the password is not in them."""
    rig = adopted
    said = rig.backupctl("sheet", "--json", codes=(0, 2))
    if said.code == 2:  # no test before this one has taken a capture
        card = rig.blank("for-the-sheet", 16 * MIB)
        with rig.in_reader(card, "spare") as device:
            rig.capture(device)
        said = rig.backupctl("sheet", "--json")
    share = said.json["share"]
    assert (share["source"], share["account"]) == ("//127.0.0.1/Back ups", "keeper")
    assert "quiet-fern" not in said.out
    make, mount = said.json["mount"]
    rig.shell(f"systemctl stop 'mnt-net\\x20share.automount' 'mnt-net\\x20share.mount'; {make}")
    try:
        rig.shell(f"export PASSWD=quiet-fern; {mount}")  # mount.cifs(8), in place of the question
        assert rig.shell(f"ls '{MOUNTED_AT}'").split() != []
        rig.shell(f"umount '{MOUNTED_AT}'")
    finally:
        rig.shell("systemctl start 'mnt-net\\x20share.automount'")


def test_own_card_while_it_works(adopted: Rig, tmp_path: Path) -> None:
    rig = adopted
    rig.board.send(POLICY.encode(), "/run/policy.toml")
    with at_work(rig):
        # Neither card nor name: they are the board's own.
        taken = rig.backupctl("capture", "--policy", "/run/policy.toml", "--json", seconds=600).json
        lowest, highest = (_numbers(rig.board.fetch(f"/run/{name}")) for name in ("before", "after"))
    assert (taken["board"], taken["state"], taken["warnings"]) == (BOARD, "good", [])
    source = json.loads(rig.shell(f"cat '{SERVED}/boards/{BOARD}/captures/{taken['id']}/record.json'"))["source"]
    assert source["path"] == rig.shell("readlink -f /dev/disk/by-id/virtio-card").strip()
    print(f"frozen {taken['frozen_seconds']} s, {source['freezes']} times, rounds {source['rounds']}")
    assert source["marked_in_use"] == [1]  # its FAT is mounted, and says so of itself in the image
    assert 0 < taken["frozen_seconds"] <= MOST_FROZEN_SECONDS
    # On another computer, as after a board's end.
    card, share = rig.blank("restored", recipe.CARD_BYTES), rig.folder / "second.img"
    with rig.share_elsewhere() as elsewhere, attached(card) as device:
        assert backupctl(elsewhere, "verify", "--board", BOARD, "--json").json["whole_captures"] == [taken["id"]]
        backupctl(elsewhere, "restore", "newest", device, "--board", BOARD, "--erase", device, "--yes")
    with attached(card, offset=recipe.ROOT_START) as root:
        preens(Path(root))
    with root_of(recipe.card(), tmp_path / "built") as built, root_of(card, tmp_path / "restored") as restored:
        wanted, found = files_below(built), files_below(restored)
    assert len(wanted) > 5000
    assert found.items() ^ wanted.items() == set()

    # Before it is booted: what a drill on the board itself says of the same capture.
    drilled = rig.backupctl("drill", "newest", "--board", BOARD, "--json", seconds=600).json
    assert (drilled["verdict"], drilled["wrong"], drilled["warnings"]) == ("passed", [], [])
    told = {finding["name"]: str(finding["detail"]) for finding in drilled["findings"]}
    assert told["modules"] == f"of {rig.shell('uname -r').strip()}"
    assert "x86-64" in told["init"]
    assert source["system"]["machine"] == rig.shell("uname -m").strip()

    recipe.make_share_disk(share, 64 * MIB)
    second = Board(rig.folder / "second")
    second.start(Disk(card, "card"), Disk(share, "share"), bound_to_us=True)  # raises unless everything comes up
    try:
        assert second.run("systemctl --failed --no-legend").out == ""
        state = second.run(f"python3 -B {PROGRAM} state {PLACE}").json
    finally:
        second.kill()
    assert state["databases"] == dict.fromkeys(live_writers.DATABASES, "ok")
    # Each of these is written after the one before it, and none before all were.
    for together in (state["counters"], state["pair"], state["packages"]):
        assert together == sorted(together, reverse=True)
        assert together[0] - 1 <= together[-1]
        assert together[-1] > 0
    for low, kept, high in zip(lowest, state["counters"], highest, strict=True):
        assert low <= kept <= high


MAPPED_START, MAPPED_BYTES = MIB, 48 * MIB


def test_a_card_that_is_used_through_a_mapping(adopted: Rig) -> None:
    """As an encrypted or logical volume is: what is mounted is no partition of the card."""
    rig, place = adopted, "/mnt/mapped"
    rig.board.send(Path(live_writers.__file__).read_bytes(), "/run/live_writers.py")
    card, restored = (rig.blank(name, MAPPED_BYTES) for name in ("mapped", "unmapped"))
    recipe.run("sfdisk", "--quiet", card, stdin=f"label: dos\nunit: sectors\nstart={MAPPED_START // 512}, type=83\n")
    units = " ".join(f"map-{kind}" for kind in ("counters", "database-wal"))
    with rig.in_reader(card, "mapped") as device:
        rig.shell(
            f"modprobe dm_mod && udevadm settle && mkdir {place} && "
            f"echo 0 {(MAPPED_BYTES - MAPPED_START) // 512} linear {device}1 0 | dmsetup create mapped && "
            f"mkfs.ext4 -q /dev/mapper/mapped && mount /dev/mapper/mapped {place}"
        )
        try:
            for unit in units.split():
                kind = unit.removeprefix("map-")
                words = f"python3 -B /run/live_writers.py {kind} {place} 1 {PAUSE}"
                rig.shell(f"systemd-run --quiet --unit={unit} {words}")
            taken = rig.capture(device, board="mapped")
            source = json.loads(rig.shell(f"cat '{SERVED}/boards/mapped/captures/{taken['id']}/record.json'"))["source"]
            states = rig.board.run(f"systemctl is-active {units}").out.split()
        finally:
            rig.shell(f"systemctl stop {units}; umount {place} && dmsetup remove mapped && rmdir {place}")
    assert states == ["active", "active"]
    assert (taken["state"], source["live"]) == ("good", "tracked")
    assert 0 < taken["frozen_seconds"] <= MOST_FROZEN_SECONDS
    with rig.share_elsewhere() as elsewhere, attached(restored) as device:
        backupctl(elsewhere, "restore", "newest", device, "--board", "mapped", "--erase", device, "--yes")
    with attached(restored, offset=MAPPED_START) as root:
        preens(Path(root))
