"""Restoring onto a card, judged by other programs: what is on it afterwards, and what an interrupted one leaves."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.block_device import disk_of
from backupctl.board.system_disks import system_disks
from backupctl.cli.render import restore_plan
from backupctl.domain.errors import Damaged, Exit, Interrupted, NotFound, Refused
from backupctl.domain.policy import Policy
from backupctl.domain.ranges import Ranges
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.cards import look_at
from backupctl.operations.facts import Facts, this_machine
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.progress import Quiet, Step, Stop
from backupctl.operations.restoring import restore_card
from backupctl.operations.restoring.cloning import CloneWishes
from backupctl.operations.restoring.restore_card import CardOptions, restore_to_card
from backupctl.operations.restoring.suiting import Changes
from backupctl.operations.shares.adopt import adopt
from backupctl.share.manifest import read_manifest
from backupctl.share.shelf import Shelf, open_shelf
from tests.card_images import Card, Volume, free_by_tools, gpt_card, make_tree, mbr_card, run, take_out
from tests.system.loop_device import attached, mounted, need, partition, tool

pytestmark = pytest.mark.system

MIB = 1 << 20
BOARD = "weather-mast"


@dataclass
class Person(Quiet):
    """At the terminal: gives `answer`, or says `stop` once `stop_at` steps called `stop_in` were shown."""

    answer: str = ""
    stop: Stop | None = None
    stop_in: str = ""
    stop_at: int = 1
    notes: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    def ask(self, question: str, expected: str) -> bool:
        self.questions.append(question)
        return self.answer == expected

    def note(self, text: str) -> None:
        self.notes.append(text)

    def step(self, step: Step) -> None:
        if self.stop and step.name == self.stop_in:
            self.stop_at -= 1
            if self.stop_at == 0:
                self.stop.ask(terminated=True)


def shelf_with(folder: Path, source: Path | str) -> Shelf:
    """A share in a folder, with one capture of `source`."""
    facts = facts_of(folder)
    (folder / "share").mkdir()
    adopt(folder / "share", BOARD, same_machine=True, policy=Policy(), facts=facts)
    shelf = open_shelf(folder / "share", BOARD)
    capture(shelf, CaptureOptions(Path(source), Policy()), facts, Quiet(), Stop())
    return shelf


def facts_of(folder: Path) -> Facts:
    return this_machine(folder / "state")


def restored(
    shelf: Shelf, target: str | Path, person: Person | None = None, stop: Stop | None = None, **changes: Any
) -> dict[str, Any]:
    options: dict[str, Any] = {
        "erase": str(target),
        "wipe_free": False,
        "dry_run": False,
        "show_plan": restore_plan,
    } | changes
    facts = facts_of(shelf.path.parents[2])
    return restore_to_card(
        shelf, "newest", None, CardOptions(Path(target), **options), facts, person or Quiet(), stop or Stop()
    )


def full_of_ff(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        for at in range(0, size, MIB):
            file.write(b"\xff" * min(MIB, size - at))
    return path


def zeroed(shelf: Shelf) -> Ranges:
    captures, _ = captures_of(shelf)
    return Ranges(find_capture(captures, "newest").zeroed)


def assert_restored(image: Path, card: Card, shelf: Shelf, scratch: Path) -> None:
    """All in-use bytes as on `card`, zeros where the record says so; file systems clean, files as in the trees."""
    zeros = zeroed(shelf)
    before, after = card.path.read_bytes(), image.read_bytes()
    free = free_by_tools(card.path, card.volumes, scratch)
    for start, end in (free | zeros).inverted(0, len(before)):
        assert after[start:end] == before[start:end], f"{start} to {end}"
    for start, end in zeros:
        assert after[start:end] == bytes(end - start), f"{start} to {end}"
    assert any(before[start:end] != after[start:end] for start, end in free), "free space came along"
    for volume in card.volumes:
        assert_volume(take_out(image, volume, scratch / "volume.img"), volume, scratch / f"out-{volume.kind}")


def assert_volume(alone: Path, volume: Volume, out: Path) -> None:
    assert volume.tree is not None
    out.mkdir()
    if volume.kind == "ext4":
        run("e2fsck", "-fn", alone)
        run("debugfs", "-R", f"rdump / {out}", alone)
        (out / "lost+found").rmdir()
    else:
        run("fsck.vfat", "-n", alone)
        run("mcopy", "-s", "-n", "-i", alone, "::*", out)
    run("diff", "--recursive", volume.tree, out)


def blkid_code(device: str) -> int:
    """2 if nothing was recognised (blkid(8), exit codes)."""
    return subprocess.run(["blkid", "-p", device], capture_output=True, check=False).returncode


def signatures(device: str) -> set[str]:
    """Everything that wipefs would take away (the column TYPE of its list)."""
    return set(tool("wipefs", "--noheadings", "--output", "TYPE", device).split())


def assert_looks_empty(device: str) -> None:
    need("sfdisk", "blkid")
    dump = subprocess.run(["sfdisk", "-d", device], capture_output=True, text=True, check=False)
    assert "does not contain a recognized partition table" in dump.stderr
    assert blkid_code(device) == 2


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Card:
    need()
    return mbr_card(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, card: Card) -> Shelf:
    return shelf_with(tmp_path_factory.mktemp("shelf"), card.path)


def large_sectors(folder: Path) -> Card:
    """A GPT for sectors of 4096 bytes, with FAT16 and ext4."""
    need("sfdisk", "mkfs.vfat", "mke2fs", "mcopy")
    path, fat, ext4 = folder / "large.img", (MIB, 24 * MIB), (26 * MIB, 40 * MIB)
    path.write_bytes(os.urandom(MIB) * 72)
    boot, root = make_tree(folder / "boot", 40, 1), make_tree(folder / "root", 160, 2)
    with attached(path, 4096) as device:
        lines = [f"start={start // 4096}, size={size // 4096}" for start, size in (fat, ext4)]
        run("sfdisk", "--quiet", device, stdin="\n".join(["label: gpt", *lines]) + "\n")
        with partition(device, 1, *fat) as first, partition(device, 2, *ext4) as second:
            run("mkfs.vfat", "-F", "16", "-s", "1", first)
            run("mcopy", "-s", "-i", first, *sorted(boot.iterdir()), "::")
            run("mke2fs", "-q", "-t", "ext4", "-d", root, second)
    return Card(path, (Volume("fat", *fat, boot), Volume("ext4", *ext4, root)))


@pytest.mark.parametrize("wipe_free", [False, True])
def test_onto_a_card_full_of_something_else(tmp_path: Path, card: Card, shelf: Shelf, wipe_free: bool) -> None:
    size = card.path.stat().st_size
    target = full_of_ff(tmp_path / "target.img", size)
    with attached(target) as device:
        assert restored(shelf, device, wipe_free=wipe_free)["restored"]
    dumps = [run("sfdisk", "-d", path).replace(str(path), "card") for path in (target, card.path)]
    assert dumps[0] == dumps[1]
    assert_restored(target, card, shelf, tmp_path)
    if wipe_free:
        content = target.read_bytes()
        for start, end in free_by_tools(card.path, card.volumes, tmp_path):
            assert content[start:end] == bytes(end - start)
    events = [(event.kind, event.body.get("target")) for event in read_manifest(shelf.storage).events]
    assert events[-1] == ("restored", device)


def test_a_gpt(tmp_path: Path) -> None:
    need("sgdisk")
    card = gpt_card(tmp_path)
    shelf = shelf_with(tmp_path, card.path)
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    with attached(target) as device:
        restored(shelf, device)
        assert "No problems found" in tool("sgdisk", "--verify", device)
    assert_restored(target, card, shelf, tmp_path)


def test_sectors_of_4096_bytes(tmp_path: Path) -> None:
    need("sgdisk")
    card = large_sectors(tmp_path)
    with attached(card.path, 4096) as source:
        shelf = shelf_with(tmp_path, source)
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    with attached(target, 4096) as device:
        restored(shelf, device)
        assert "No problems found" in tool("sgdisk", "--verify", device)
    assert_restored(target, card, shelf, tmp_path)


def test_a_larger_card_that_had_another_life(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    need("sgdisk", "sfdisk", "blkid", "wipefs", "blockdev")
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size + 40 * MIB + 512)
    with attached(target) as device:
        run("sfdisk", "--quiet", device, stdin="label: gpt\nsize=20MiB\nsize=60MiB\n")
        old_end = target.read_bytes()[-33 * 512 :]
        plan = restored(shelf, device, dry_run=True)["plan"]
        assert plan["target_bytes"] == target.stat().st_size
        assert "partition 2: unknown, 60.0 MiB" in plan["target_contents"]
        assert f"{device} is not empty" in plan["warnings"]
        restored(shelf, device)
        said = tool("blkid", "-p", "-o", "export", device)
        assert "PTTYPE=dos" in said
        assert signatures(device) == {"dos"}
        assert "Found invalid GPT and valid MBR" in tool("sgdisk", "--verify", device)
        # The two would have told of what is left of a GPT.
        with target.open("r+b") as file:
            file.seek(-len(old_end), os.SEEK_END)
            file.write(old_end)
        tool("blockdev", "--flushbufs", device)
        assert signatures(device) == {"dos", "gpt"}
        looked = subprocess.run(["sgdisk", "--verify", device], capture_output=True, text=True, check=False)
        assert "invalid main GPT header, but valid backup" in looked.stdout + looked.stderr
        restored(shelf, device)
    assert b"EFI PART" not in target.read_bytes()  # UEFI, section 5.3.2
    assert_restored(target, card, shelf, tmp_path)


@contextmanager
def unharmed(image: Path) -> Iterator[None]:
    before = image.read_bytes()
    yield
    assert image.read_bytes() == before


def test_too_small(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size - 512)
    with (
        attached(target) as device,
        unharmed(target),
        pytest.raises(Refused, match=r"is 512 bytes .* too small") as told,
    ):
        restored(shelf, device)
    assert told.value.exit_code == Exit.REFUSED


def test_another_sector_size(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    with (
        attached(target, 4096) as device,
        unharmed(target),
        pytest.raises(Refused, match=r"has sectors of 4096 bytes, and the capture .* of 512"),
    ):
        restored(shelf, device)


def test_a_partition_a_mounted_one_swap_and_a_mount_elsewhere(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    need("mkfs.ext4", "mkswap", "swapon")
    target = full_of_ff(tmp_path / "target.img", 100 * MIB)
    with (
        attached(target) as device,
        partition(device, 1, MIB, 79 * MIB) as first,
        partition(device, 2, 80 * MIB, 16 * MIB) as second,
    ):
        tool("mkfs.ext4", "-q", first)
        tool("mkswap", second)
        with unharmed(target), pytest.raises(Refused, match=f"{first} is only a part of {device}"):
            restored(shelf, first)
        with mounted(first, tmp_path / "place"), pytest.raises(Refused, match="is mounted at"):
            restored(shelf, device)
        tool("swapon", second)
        try:
            with pytest.raises(Refused, match=rf"runs from {device}: swap \({Path(second).name}\)"):
                restored(shelf, device)
        finally:
            tool("swapoff", second)
        tool("e2fsck", "-fn", first)


def test_the_disk_that_the_share_is_on(tmp_path: Path) -> None:
    need("mkfs.ext4")
    small = gpt_card(tmp_path / "card")
    image = full_of_ff(tmp_path / "share.img", 200 * MIB)
    with attached(image) as device:
        tool("mkfs.ext4", "-q", device)
        with mounted(device, tmp_path / "mnt") as place:
            shelf = shelf_with(place, small.path)
            with pytest.raises(Refused, match=f"the share with the capture is on {device}"):
                restored(shelf, device)


def test_what_the_system_runs_from(tmp_path: Path, shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("it was opened")

    monkeypatch.setattr("backupctl.operations.restoring.restore_card.open_exclusive", never)
    monkeypatch.setattr("backupctl.operations.restoring.restore_card.look_at", never)
    names = [name for name in system_disks().why if Path(f"/dev/{name}").is_block_device()]
    if not names:
        pytest.skip("the disk that this system runs from has no node here")
    for name in names:
        with pytest.raises(Refused, match="this system runs from"):
            restored(shelf, f"/dev/{name}")


def test_write_protected_and_none_at_all(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    device = tool("losetup", "--read-only", "--find", "--show", target).strip()
    try:
        with pytest.raises(Refused, match="write-protected"):
            restored(shelf, device)
    finally:
        tool("losetup", "--detach", device)
    with pytest.raises(NotFound):
        restored(shelf, "/dev/null")


def test_the_question(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    with attached(target) as device:
        for answer in ("", "yes", BOARD.upper()):
            person = Person(answer)
            with unharmed(target), pytest.raises(Refused, match="not erased") as told:
                restored(shelf, device, person, erase=None)
            assert told.value.exit_code == Exit.REFUSED
            (question,) = person.questions
            for said in (BOARD, device, str(target), "nothing that is recognised", "72.0 MiB", "less than a day"):
                assert said in " ".join(question.split())
        assert restored(shelf, device, Person(BOARD), erase=None)["restored"]
    assert_restored(target, card, shelf, tmp_path)


def test_a_disk_that_is_built_in_is_asked_about(
    tmp_path: Path, card: Card, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    with attached(target) as device:
        for transport, removable, is_asked in (("ata", False, True), ("usb", False, False), ("ata", True, False)):
            found = replace(look_at(disk_of(Path(device))), transport=transport, removable=removable)
            monkeypatch.setattr(restore_card, "look_at", lambda _, found=found: found)
            plan = restored(shelf, device, dry_run=True)["plan"]
            assert f"by {transport}" in plan["target_description"]
            assert any("as disks within a computer are" in text for text in plan["warnings"]) == is_asked


def test_the_answer_in_a_script_names_the_same_card(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    other = full_of_ff(tmp_path / "other.img", MIB)
    with attached(target) as device, attached(other) as another:
        for said in (another, str(target), "", "/dev/null"):
            with unharmed(target), pytest.raises(Refused, match="was said to be erased"):
                restored(shelf, device, erase=said)
        clone = Changes(clone=CloneWishes(new_identity=True), scratch=tmp_path / "none")
        with unharmed(target), pytest.raises(Refused, match="was said to be erased"):  # before anything is made ready
            restored(shelf, device, erase=another, changes=clone)
        link = tmp_path / "card-reader"
        link.symlink_to(device)
        person = Person()
        assert restored(shelf, link, person, erase=device)["restored"]
        assert person.questions == []


def test_dry_run_writes_nothing(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    events = len(read_manifest(shelf.storage).events)
    with attached(target) as device, unharmed(target):
        result = restored(shelf, device, dry_run=True)
    assert not result["restored"]
    assert result["plan"]["board"] == BOARD
    assert len(read_manifest(shelf.storage).events) == events


def test_a_card_file_whose_length_is_no_whole_number_of_sectors(tmp_path: Path) -> None:
    need()
    source = tmp_path / "card.img"
    source.write_bytes(os.urandom(MIB) * 20 + bytes(3 * MIB + 100))
    shelf = shelf_with(tmp_path, source)
    target = full_of_ff(tmp_path / "target.img", 40 * MIB)
    with attached(target) as device:
        restored(shelf, device, wipe_free=True)
    assert target.read_bytes() == source.read_bytes() + bytes(17 * MIB - 100)


def test_a_user_who_may_write_but_not_empty_the_cache(tmp_path: Path, card: Card, shelf: Shelf) -> None:
    need("setpriv")
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    # The privilege that BLKFLSBUF asks for (capabilities(7), CAP_SYS_ADMIN) is taken away, and nothing else.
    program = (
        "import sys; from tests.system.test_restore_card import *\n"
        "try: restored(open_shelf(Path(sys.argv[1]), None), sys.argv[2])\n"
        "except Refused as error: print(error.cause)\n"
    )
    with attached(target) as device, unharmed(target):
        said = tool(
            "setpriv", "--bounding-set=-sys_admin", "--inh-caps=-sys_admin", sys.executable, "-c", program,
            shelf.path, device,
        )  # fmt: skip
    assert "not read it back past the system's cache" in said


@pytest.mark.parametrize(
    ("doing", "steps"),
    [("discarding what was there", 1), ("writing", 1), ("writing", 12), ("reading back", 1), ("reading back", 12)],
)
def test_interrupted(tmp_path: Path, card: Card, shelf: Shelf, doing: str, steps: int) -> None:
    target = full_of_ff(tmp_path / "target.img", 100 * MIB)
    with attached(target) as device:
        run("sfdisk", "--quiet", device, stdin="label: gpt\nsize=20MiB\nsize=60MiB\n")
        stop = Stop()
        person = Person(stop=stop, stop_in=doing, stop_at=steps)
        with pytest.raises(Interrupted) as told:
            restored(shelf, device, person, stop)
        assert told.value.exit_code == Exit.TERMINATED
        assert_looks_empty(device)
        assert any("left without a partition table" in note for note in person.notes)
        assert read_manifest(shelf.storage).events[-1].kind == "interrupted"
        # The next one is whole.
        restored(shelf, device)
    assert_restored(target, card, shelf, tmp_path)


def test_a_damaged_share_is_seen_before_the_card_is_erased(tmp_path: Path, card: Card) -> None:
    shelf = shelf_with(tmp_path, card.path)
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size)
    for part in (shelf.path / "stock").iterdir():
        part.unlink()
    with attached(target) as device, unharmed(target), pytest.raises(Damaged, match="no intact copy"):
        restored(shelf, device)
