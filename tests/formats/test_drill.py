"""Drills of a card that would boot, and of the same card broken in one way after the other."""

from __future__ import annotations

import json
import os
import shutil
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from backupctl.cli import drill_view
from backupctl.domain.policy import PacePolicy, Policy, StorePolicy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import Facts, this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.drill import DrillOptions, drill
from backupctl.share.shelf import open_shelf
from tests import bootable_card
from tests.bootable_card import (
    BOOT_START,
    DISK_ID,
    FSTAB,
    MODEL,
    RELEASE,
    ROOT_UUID,
    SYSTEM,
    BootableCard,
    executable,
    kernel,
)
from tests.card_images import MIB, run
from tests.program import backupctl
from tests.shelf_of_card import resealed_json

pytestmark = pytest.mark.formats

Broken = Callable[[BootableCard], None]
QUICK = Policy(store=StorePolicy(read_back=False), pace=PacePolicy(workers=1))


@dataclass(frozen=True)
class Bench:
    """A share, and a sound card."""

    share: Path
    card: BootableCard
    folder: Path

    @property
    def facts(self) -> Facts:
        return this_machine(self.folder / "state")

    def capture(self, card: Path, system: dict[str, Any] | None, policy: Policy = QUICK) -> str:
        """`system`: what the board would have said of itself, had it been captured there."""
        shelf = open_shelf(self.share, "shed")
        taken = capture(shelf, CaptureOptions(card, policy, confirm=False), self.facts, Quiet(), Stop())
        if system is not None:
            path = shelf.path / "captures" / taken["id"] / "record.json"
            record = json.loads(path.read_text())
            record["source"]["system"] = system
            del record["checksum"]
            text = json.dumps(record, indent=2)
            path.write_text(resealed_json(text[: text.rindex("}")].rstrip() + ',\n  "checksum": ""\n}\n'))
        return str(taken["id"])

    def drill(self, card: Path, system: dict[str, Any] | None = SYSTEM, **options: Any) -> dict[str, Any]:
        made = DrillOptions(self.capture(card, system), scratch=self.folder / "scratch", **options)
        return drill(open_shelf(self.share, "shed"), made, self.facts, Quiet(), Stop())


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    for tool in bootable_card.TOOLS:
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    folder = tmp_path_factory.mktemp("drill")
    (folder / "share").mkdir()
    (folder / "scratch").mkdir()
    backupctl(None, "share", "adopt", folder / "share", "--same-machine", "--board", "shed")
    return Bench(folder / "share", bootable_card.make(folder / "card"), folder)


def found(result: dict[str, Any]) -> dict[str, tuple[str, str]]:
    return {finding["name"]: (str(finding["outcome"]), finding["detail"]) for finding in result["findings"]}


def test_a_sound_card_passes(bench: Bench) -> None:
    result = bench.drill(bench.card.path)
    assert (result["verdict"], result["passed"], result["wrong"], result["warnings"]) == ("passed", True, [], [])
    told = found(result)
    assert {outcome for outcome, _ in told.values()} == {"well"}
    assert {name: told[name][1] for name in ("kernel", "device tree", "init", "modules")} == {
        "kernel": f"kernel8.img of partition 1, {RELEASE}, arm64",
        "device tree": f"seedling-2.dtb, for {MODEL}",
        "init": "/sbin/init, for arm64",
        "modules": f"of {RELEASE}",
    }
    assert set(told) == {
        *("segments", "partition table", "partition 1 (fat16)", "partition 2 (ext4)"),
        *("kernel", "device tree", "root", "init", "modules", "fstab"),
    }
    assert "LABEL=readings" in told["fstab"][1], "it is not on the card, but the board starts without it"
    assert result["not_checked"] == ["whether the board boots: only booting it proves that"]
    assert list((bench.folder / "scratch").iterdir()) == []


def boot(name: str, content: bytes | str) -> Broken:
    return lambda card: card.put_boot(name, content)


def root(path: str, content: bytes | str, mode: int = 0o100644) -> Broken:
    return lambda card: card.put_root(path, content, mode)


PROGRAM = "/usr/lib/systemd/systemd"
MODULE = f"/usr/lib/modules/{RELEASE}/kernel/drivers/wire.ko.xz"
OTHER_LOADER = executable(interpreter="/lib/ld-other.so")
OTHER_UUID = ROOT_UUID[:-1] + "f"

# What is broken, the one check that has to see it, and words of what it says.
FAULTS: dict[str, tuple[Broken, str, str]] = {
    "no kernel": (lambda card: card.remove_boot("kernel8.img"), "kernel", "kernel8.img, which is not there"),
    "empty kernel": (boot("kernel8.img", b""), "kernel", "kernel8.img of partition 1 is empty"),
    "other kernel": (boot("kernel8.img", kernel("riscv")), "kernel", "is for riscv, and the board is aarch64"),
    "no initramfs": (lambda card: card.remove_boot("initramfs8"), "kernel", "initramfs8, which is not there"),
    "no device tree": (lambda card: card.remove_boot("seedling-2.dtb"), "device tree", f"none on the card for {MODEL}"),
    "wrong root": (
        boot("cmdline.txt", f"root=PARTUUID={DISK_ID}-03"),
        "root",
        "-03, in cmdline.txt of partition 1,",
    ),
    "other root": (boot("cmdline.txt", f"root=UUID={OTHER_UUID}"), "root", "names nothing that is on this card"),
    "wrong mount": (
        root("/etc/fstab", FSTAB.replace(ROOT_UUID, OTHER_UUID)),
        "fstab",
        f"{OTHER_UUID}, for /, is not",
    ),
    "wrong type": (root("/etc/fstab", FSTAB.replace("vfat", "ext4")), "fstab", "is fat16, and no ext4"),
    "no swap file": (lambda card: card.remove_root("/var/swap"), "fstab", "/var/swap, for none, is not there"),
    "other init": (root(PROGRAM, executable(62), 0o100755), "init", "/sbin/init is for x86-64, and the board is arm64"),
    "no init": (lambda card: card.remove_root(PROGRAM), "init", "there is none: no /sbin/init"),
    "locked init": (root(PROGRAM, executable()), "init", "nobody may run it"),
    "no loader": (
        root(PROGRAM, OTHER_LOADER, 0o100755),
        "init",
        "needs /lib/ld-other.so, which is not there",
    ),
    "no modules": (lambda card: card.remove_root(MODULE), "modules", f"none of {RELEASE} in /lib/modules"),
    "other modules": (boot("kernel8.img", kernel().replace(b"6.6.31", b"6.6.99")), "modules", f"which has {RELEASE}"),
    "root with errors": (BootableCard.damage_root, "partition 2 (ext4)", "e2fsck -fn: "),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_has_its_own_finding(bench: Bench, tmp_path: Path, fault: str) -> None:
    broken, name, words = FAULTS[fault]
    card = bench.card.copy(tmp_path)
    broken(card)
    result = bench.drill(card.path)
    wrong = {name: detail for name, (outcome, detail) in found(result).items() if outcome == "wrong"}
    assert list(wrong) == [name], wrong
    assert words in wrong[name]
    assert (result["verdict"], result["passed"]) == ("failed", False)


def test_a_root_that_was_left_out(bench: Bench) -> None:
    policy = replace(QUICK, image=replace(QUICK.image, leave_out=(2,)))
    made = DrillOptions(bench.capture(bench.card.path, SYSTEM, policy), scratch=bench.folder / "scratch")
    result = drill(open_shelf(bench.share, "shed"), made, bench.facts, Quiet(), Stop())
    assert [words for words in result["wrong"] if "left out, as the policy has it" in words] == result["wrong"] != []


def test_what_was_open_and_deleted_is_no_fault(bench: Bench, tmp_path: Path) -> None:
    card = bench.card.copy(tmp_path)
    card.orphan_root()
    told = found(bench.drill(card.path))
    assert told["partition 2 (ext4)"] == ("well", "sound, without 1 that were open and deleted")


def test_a_fat_in_use_is_no_fault_and_one_with_a_lost_cluster_is(bench: Bench, tmp_path: Path) -> None:
    card = bench.card.copy(tmp_path)
    with card.path.open("r+b") as file:
        file.seek(BOOT_START + 37)  # linux/msdos_fs.h: `state` of FAT16, set as long as it is mounted
        file.write(b"\1")
    assert found(bench.drill(card.path))["partition 1 (fat16)"] == ("well", "sound; marked as in use, which it was")
    with card.path.open("r+b") as file:
        file.seek(BOOT_START + 14)
        reserved, tables, _, _, _, _, sectors = struct.unpack("<HBHHBHH", file.read(12))[:7]
        for number in range(tables):  # FATGEN: a chain of one cluster that no file has
            file.seek(BOOT_START + (reserved + number * sectors) * 512 + 2 * 9000)
            file.write(b"\xff\xff")
    result = bench.drill(card.path)
    assert "fsck.vfat -n: " in found(result)["partition 1 (fat16)"][1]
    assert result["verdict"] == "failed"


def test_a_board_that_is_not_known_is_told_by_its_kernel(bench: Bench, tmp_path: Path) -> None:
    """A card that was captured in a reader says nothing of its board."""
    result = bench.drill(bench.card.path, system=None)
    assert found(result)["device tree"][0] == "not checked"
    assert result["verdict"] == "passed", "a board's own device tree may be anywhere"
    card = bench.card.copy(tmp_path)
    card.put_root(PROGRAM, executable(62), 0o100755)
    assert found(bench.drill(card.path, system=None))["init"][0] == "wrong"


def test_without_room_it_is_read_from_the_share(bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("backupctl.operations.proving.drill.room", lambda _: 0)
    result = bench.drill(bench.card.path)
    told = found(result)
    assert (result["verdict"], result["passed"], result["wrong"]) == ("incomplete", None, [])
    assert [name for name, (outcome, _) in told.items() if outcome == "not checked"] == [
        "partition 1 (fat16)", "partition 2 (ext4)",
    ]  # fmt: skip
    assert told["modules"] == ("well", f"of {RELEASE}")
    card = bench.card.copy(tmp_path)
    card.remove_root(PROGRAM)
    assert bench.drill(card.path)["verdict"] == "failed"


def test_a_card_of_data_is_not_blamed_for_what_it_never_had(bench: Bench, tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    run("mke2fs", "-q", "-F", "-t", "ext4", card, "16M")
    result = bench.drill(card, system=None)
    assert (result["verdict"], found(result)["boot"][0]) == ("passed", "not checked")
    said = " ".join(drill_view.drill(result).split())
    assert "No board boots from it" in said and "what a board needs" not in said
    assert bench.drill(card)["wrong"] == ["boot: the board ran from this card, and there is no system on it any more"]


def test_another_file_system_is_checked_by_its_own_checker(bench: Bench, tmp_path: Path) -> None:
    """What is on it cannot be looked into, so that a drill of it is not complete."""
    if shutil.which("mkfs.btrfs") is None:
        pytest.skip("mkfs.btrfs is not installed")
    card = tmp_path / "card.img"
    card.write_bytes(bytes(32 * MIB))
    run("mkfs.btrfs", "-q", "--mixed", card)
    result = bench.drill(card, system=None)
    assert found(result)["the card (btrfs)"] == ("well", "sound, by btrfs")
    assert result["verdict"] == "incomplete"
    text = bytearray(card.read_bytes())
    # btrfs(5): the superblock at 64 KiB says where the tree of chunks is (8 bytes at 0x58), here on that same place.
    at = int.from_bytes(text[65536 + 0x58 : 65536 + 0x60], "little")
    text[at : at + 64] = bytes(64)
    card.write_bytes(text)
    result = bench.drill(card, system=None)
    assert found(result)["the card (btrfs)"][0] == "wrong"
    assert result["verdict"] == "failed"


def test_at_the_command_line(bench: Bench, tmp_path: Path) -> None:
    """What a drill comes to, and where it is seen."""
    share = tmp_path / "share"
    shutil.copytree(bench.share, share)
    good = Bench(share, bench.card, tmp_path).capture(bench.card.path, None)
    scratch = ("--scratch", tmp_path)
    assert "Nothing was done." in backupctl(share, "drill", good, *scratch, "--dry-run").out
    assert backupctl(share, "show", good, "--json").json["drilled"] is None
    ended = backupctl(share, "drill", *scratch)
    assert good in ended.out, "the newest that has passed none"
    assert "keys and passwords" in ended.err
    assert "The drill has passed" in ended.out
    assert max(map(len, ended.out.splitlines())) < 80
    assert [path.name for path in tmp_path.iterdir()] == ["share"]
    assert backupctl(share, "show", good, "--json").json["drilled"]
    assert "drilled " in backupctl(share, "list").out
    assert " passed" in backupctl(share, "runs").out
    # Damage on the share is a failed drill, and no accident of the program.
    for part in (share / "boards/shed/stock").glob("*.zst"):
        if ".table." not in part.name:
            os.truncate(part, 4096)
    failed = backupctl(share, "drill", good, *scratch, "--json", code=5).json
    assert (failed["verdict"], [found["name"] for found in failed["findings"]]) == ("failed", ["segments"])
    assert backupctl(share, "boards", "--json", code=4).json["boards"][0]["drill_failed"]
    assert "the drill of " in backupctl(share, "boards", code=4).out
    assert backupctl(share, "show", good, "--json").json["drilled"] is None
    assert "no folder" in backupctl(share, "drill", "--scratch", tmp_path / "nowhere", code=3).err


def test_a_night_tells_of_a_failed_drill_and_of_the_one_that_passes_after_it(bench: Bench, tmp_path: Path) -> None:
    share, told = tmp_path / "share", tmp_path / "told"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    policy = tmp_path / "policy.toml"
    policy.write_text(
        "[store]\nread_back = false\n[night]\nverify_nights = 0\n"
        f'[notify]\ncommand = ["sh", "-c", "cat >>{told}"]\ndigest = false\n'
    )
    card = bench.card.copy(tmp_path / "card")
    night = ("night", "--board", "shed", "--source", card.path, "--policy", policy)
    card.remove_root(PROGRAM)
    failed = backupctl(share, *night, "--json", code=5).json
    assert {step["name"]: step["exit"] for step in failed["steps"]}["drill"] == 5
    assert failed["drill"]["wrong"][0].startswith("init: there is none")
    assert "a drill failed" in told.read_text()
    assert "there is damage" not in told.read_text(), "the share is not to blame"
    backupctl(share, *night, code=5)  # the next night makes another
    assert told.read_text().count("a drill failed") == 1
    shutil.copy(bench.card.path, card.path)
    assert backupctl(share, *night, "--json").json["drill"]["verdict"] == "passed"
    assert "a drill has passed" in told.read_text()
    assert backupctl(share, *night, "--json").json["drill"]["drilled"] is False, "none is due for a month"
