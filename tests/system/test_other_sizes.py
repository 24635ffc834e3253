"""Restoring onto a card of another size, judged by other programs: tables, file systems, files, and what is refused."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.errors import Refused
from backupctl.domain.units import size as in_words
from backupctl.operations.progress import Step
from backupctl.operations.restoring.cloning import CloneWishes
from backupctl.operations.restoring.suiting import Changes
from backupctl.share.shelf import Shelf
from tests.card_images import (
    MIB,
    ROOT_UUID,
    SWAP_UUID,
    Card,
    Volume,
    bare_ext4,
    gpt_card,
    logical_card,
    make_tree,
    mbr_card,
    run,
)  # fmt: skip
from tests.formats.table_images import mbr_card as mbr_with
from tests.program import backupctl
from tests.system.loop_device import attached, mounted, need, tool
from tests.system.test_restore_card import (
    BOARD,
    Person,
    assert_looks_empty,
    assert_volume,
    full_of_ff,
    restored,
    shelf_with,
    unharmed,
)  # fmt: skip

pytestmark = pytest.mark.system

# Decimal gigabytes, as cards are sold: 16 * 10^9 / 512; and one of a card of that size that was 0.43 % smaller.
SIXTEEN_GB_SECTORS = 31_250_000
A_BIT_LESS_SECTORS = 31_116_288


def sparse(path: Path, size: int) -> Path:
    with path.open("xb") as file:
        file.truncate(size)
    return path


def table_of(path: Path | str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run("sfdisk", "--json", path))["partitiontable"]
    return found


def places(path: Path | str) -> list[tuple[int, int]]:
    """Start and size of each partition in sectors, by sfdisk."""
    return [(part["start"], part["size"]) for part in table_of(path)["partitions"]]


def blocks_of(volume: Path) -> tuple[int, int]:
    """Count and size of an ext4's blocks, by dumpe2fs."""
    said = run("dumpe2fs", "-h", volume)
    found = [re.search(rf"^{name}: +(\d+)$", said, re.MULTILINE) for name in ("Block count", "Block size")]
    assert found[0] and found[1]
    return int(found[0][1]), int(found[1][1])


def copied(image: Path, start: int, size: int, into: Path) -> Path:
    """A stretch of a card, holes and all (dd(1), conv=sparse)."""
    tool("dd", f"if={image}", f"of={into}", "bs=1M", f"skip={start}B", f"count={size}B", "conv=sparse", "status=none")
    os.truncate(into, size)
    return into


def assert_volumes(image: Path, card: Card, scratch: Path, full: bool = True) -> None:
    """Every file system where the table says, clean, with the files of the trees; `full`: as large as its partition."""
    scratch.mkdir(exist_ok=True)
    for number, (volume, (start, sectors)) in enumerate(zip(card.volumes, volumes_at(image), strict=True)):
        with attached(image, offset=start * 512) as device:
            if volume.kind == "swap":
                assert f'UUID="{SWAP_UUID}"' in run("blkid", "-p", device)
                continue
            assert_volume(Path(device), volume, scratch / f"out{number}")
            if volume.kind == "ext4":
                assert f'UUID="{ROOT_UUID}"' in run("blkid", "-p", device)
                count, block = blocks_of(Path(device))
                assert not full or sectors * 512 - block < count * block <= sectors * 512


def volumes_at(image: Path) -> list[tuple[int, int]]:
    return [(p["start"], p["size"]) for p in table_of(image)["partitions"] if p["type"] not in ("5", "f")]


def assert_table_verifies(device: str, scheme: str) -> None:
    assert "No errors detected." in run("sfdisk", "--verify", device)
    if scheme == "gpt":
        said = tool("sgdisk", "--verify", device)
        assert "No problems found" in said, said


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Card, Shelf]]:
    need("sfdisk", "sgdisk", "e2fsck", "resize2fs", "dumpe2fs", "fsck.vfat", "blkid")
    made = {}
    for name, make in (("mbr", mbr_card), ("gpt", gpt_card), ("logical", logical_card)):
        folder = tmp_path_factory.mktemp(name)
        card = make(folder / "card")
        made[name] = card, shelf_with(folder, card.path)
    return made


@pytest.mark.parametrize("by", [-15 * MIB + 512, 161 * MIB + 512])
@pytest.mark.parametrize("kind", ["mbr", "gpt", "logical"])
def test_smaller_and_larger(cards: dict[str, tuple[Card, Shelf]], kind: str, by: int, tmp_path: Path) -> None:
    card, shelf = cards[kind]
    size = card.path.stat().st_size + by
    target = full_of_ff(tmp_path / "target.img", size)
    before = places(card.path)
    with attached(target) as device:
        done = restored(shelf, device, changes=Changes(fill=True, shrink=True, scratch=tmp_path))
        assert_table_verifies(device, table_of(device)["label"])
    assert done["restored"]
    after = places(target)
    assert [start for start, _ in after][:1] == [start for start, _ in before][:1]
    # Whole MiB up to the end of the card, less what a GPT keeps there.
    end = max(start + sectors for start, sectors in after) * 512
    assert size - 2 * MIB - 33 * 512 <= end <= size
    if kind == "gpt":
        assert table_of(target)["lastlba"] == size // 512 - 34  # UEFI, section 5.3.1: 32 sectors of entries, a header
    dumps = [re.sub(r"(start|size|last-lba)[=:] *\d+", "", run("sfdisk", "-d", path).replace(str(path), "card"))
             for path in (card.path, target)]  # fmt: skip
    assert dumps[0] == dumps[1]
    assert_volumes(target, card, tmp_path)
    # Free space was discarded, and not written: the file has no blocks for it.
    assert target.stat().st_blocks * 512 < card.path.stat().st_size + 24 * MIB
    written = target.read_bytes()
    # Boot code and gaps before what changed its size came along.
    for offset, content in card.markers.items():
        if offset < 26 * MIB and kind != "logical":
            assert written[offset : offset + len(content)] == content
    assert not list(tmp_path.glob(".*"))


def sixteen_gb(folder: Path) -> Card:
    """A card of 31 250 000 sectors: a FAT of 64 MiB, and ext4 up to the end. Sparse."""
    folder.mkdir()
    path = sparse(folder / "card.img", SIXTEEN_GB_SECTORS * 512)
    run("sfdisk", "-q", path, stdin="label: dos\nlabel-id: 0x5eed0016\nstart=8192, size=131072, type=c\nstart=139264\n")
    boot, root = make_tree(folder / "boot", 20, 1), make_tree(folder / "root", 60, 2)
    run("mkfs.vfat", "-F", "32", "-s", "1", "--offset=8192", path, "65536")
    run("mcopy", "-s", "-i", f"{path}@@{8192 * 512}", *sorted(boot.iterdir()), "::")
    start, size = 139264 * 512, (SIXTEEN_GB_SECTORS - 139264) * 512
    extended = f"offset={start},root_owner=0:0"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-U", ROOT_UUID, "-d", root, "-E", extended, path, f"{size // 1024}k")
    return Card(path, (Volume("fat", 8192 * 512, 131072 * 512, boot), Volume("ext4", start, size, root)))


def test_cards_of_one_size_differ(tmp_path: Path) -> None:
    """Two cards that are sold as 16 GB, by the command, and back again; then what no card of that size can hold."""
    need("sfdisk", "mke2fs", "resize2fs")
    card = sixteen_gb(tmp_path / "made")
    shelf = shelf_with(tmp_path, card.path)
    target = sparse(tmp_path / "target.img", A_BIT_LESS_SECTORS * 512)
    to = ("restore", "newest", "--board", BOARD, "--scratch", tmp_path, "--yes", "--json", "--erase")
    with attached(target) as device:
        ended = backupctl(shelf.path, *to, device, device, code=3)
        missing = (SIXTEEN_GB_SECTORS - A_BIT_LESS_SECTORS) * 512
        assert f"is {missing} bytes (65.3 MiB) too small" in ended.err
        assert "--shrink" in ended.err
        assert_looks_empty(device)
        plan = backupctl(shelf.path, *to, device, device, "--shrink", "--dry-run").json["plan"]
        assert_looks_empty(device)
        assert f"{A_BIT_LESS_SECTORS} sectors of 512" in plan["target_description"]
        (told,) = plan["changes"]
        assert re.fullmatch(
            r"partition 2 \(ext4\) shrinks by 6\d\.\d MiB, from 14\.8 GiB to 14\.8 GiB "
            r"\(\d+ MiB in use, at the least \d+ MiB\)",
            told,
        )
        assert backupctl(shelf.path, *to, device, device, "--shrink").json["restored"]
        assert_table_verifies(device, "dos")
    assert 0 <= A_BIT_LESS_SECTORS - sum(places(target)[1]) < 2048
    assert_volumes(target, card, tmp_path)
    # And from the smaller one to the larger.
    second = tmp_path / "second"
    second.mkdir()
    shelf = shelf_with(second, target)
    back = sparse(tmp_path / "back.img", SIXTEEN_GB_SECTORS * 512)
    with attached(back) as device:
        plain = backupctl(shelf.path, *to, device, device, "--dry-run").json["plan"]
        assert any("65.3 MiB of /dev/loop" in text and "--fill" in text for text in plain["warnings"])
        assert backupctl(shelf.path, *to, device, device, "--fill").json["restored"]
    assert 0 <= SIXTEEN_GB_SECTORS - sum(places(back)[1]) < 2048
    assert_volumes(back, card, second)


def test_what_is_in_use_does_not_fit(cards: dict[str, tuple[Card, Shelf]], tmp_path: Path) -> None:
    card, shelf = cards["mbr"]
    alone = copied(card.path, card.volume("ext4").start, card.volume("ext4").size, tmp_path / "alone.img")
    _, block = blocks_of(alone)
    least = int(re.findall(r"minimum size of the filesystem: (\d+)", tool("resize2fs", "-P", alone))[0]) * block
    start = card.volume("ext4").start
    # Far too small is seen by the record and the superblock, a bit too small by resize2fs; just large enough will do.
    for room, code in ((least // 2, "at least"), (least - 2 * MIB, f"at least {in_words(least)}")):
        target = full_of_ff(tmp_path / f"{room}.img", start + room)
        with attached(target) as device, unharmed(target), pytest.raises(Refused, match=code) as told:
            restored(shelf, device, changes=Changes(shrink=True, scratch=tmp_path))
        assert "partition 2 does not fit" in told.value.cause
        missing = int(re.findall(r"(\d+) bytes \(.*\) are missing", told.value.cause)[0])
        assert missing > 0
        if code != "at least":
            assert missing == least - room // MIB * MIB
    target = full_of_ff(tmp_path / "target.img", start + -(-least // MIB) * MIB)
    with attached(target) as device:
        restored(shelf, device, changes=Changes(shrink=True, scratch=tmp_path))
    assert_volumes(target, card, tmp_path)


class Answers(Person):
    def ask(self, question: str, expected: str) -> bool:
        self.questions.append(question)
        return expected in self.answer.split()


def test_asked_at_a_terminal(cards: dict[str, tuple[Card, Shelf]], tmp_path: Path) -> None:
    card, shelf = cards["mbr"]
    size = card.path.stat().st_size
    cases = ((-8 * MIB, "shrink", "are in use, and there is room for"), (40 * MIB, "fill", "40.0 MiB larger"))
    for by, word, figures in cases:
        target = full_of_ff(tmp_path / f"{word}.img", size + by)
        with attached(target) as device:
            person = Answers(f"{word} {BOARD}")
            changes = Changes(may_ask=True, scratch=tmp_path)
            restored(shelf, device, person, erase=None, changes=changes)
        assert len(person.questions) == 2
        assert figures in person.questions[0]
        assert f"{'shrinks' if by < 0 else 'grows'} by" in person.questions[1]
        assert ("at the least" in person.questions[1]) == (by < 0)
        assert_volumes(target, card, tmp_path / word)
    # Declined: too small is refused, larger is left unused.
    smaller, larger = full_of_ff(tmp_path / "a.img", size - 8 * MIB), full_of_ff(tmp_path / "b.img", size + 40 * MIB)
    with attached(smaller) as device, unharmed(smaller), pytest.raises(Refused, match="too small"):
        restored(shelf, device, Person(BOARD), erase=None, changes=changes)
    with attached(larger) as device:
        restored(shelf, device, Person(BOARD), erase=None, changes=changes)
    assert places(larger) == places(card.path)


def test_a_file_system_without_a_table(tmp_path: Path) -> None:
    card = bare_ext4(tmp_path / "card")
    shelf = shelf_with(tmp_path, card.path)
    for by in (-9 * MIB, 33 * MIB + 512):
        target = full_of_ff(tmp_path / f"{by}.img", card.path.stat().st_size + by)
        with attached(target) as device:
            done = restored(shelf, device, changes=Changes(fill=True, shrink=True, scratch=tmp_path))
        assert any("68.0 KiB behind the file system" in text for text in done["plan"]["warnings"])
        assert_volume(target, card.volumes[0], tmp_path / f"out{by}")
        count, block = blocks_of(target)
        assert target.stat().st_size - MIB - block < count * block <= target.stat().st_size


def test_what_is_in_the_way(tmp_path: Path) -> None:
    """A FAT behind the root is neither moved nor cut off; one that stands last does not grow."""
    need("sfdisk", "mkfs.vfat", "mke2fs")
    path = sparse(tmp_path / "card.img", 64 * MIB)
    run("sfdisk", "-q", path, stdin="label: gpt\nsize=30MiB\nsize=30MiB\n")
    (start, _), (behind, sectors) = places(path)
    run("mke2fs", "-q", "-F", "-t", "ext4", "-E", f"offset={start * 512}", path, "30m")
    run("mkfs.vfat", f"--offset={behind}", path, str(sectors // 2))
    shelf = shelf_with(tmp_path, path)
    smaller, larger = full_of_ff(tmp_path / "a.img", 60 * MIB), full_of_ff(tmp_path / "b.img", 90 * MIB)
    changes = Changes(fill=True, shrink=True, scratch=tmp_path)
    with attached(smaller) as device, unharmed(smaller), pytest.raises(Refused, match="partition 2 stands last"):
        restored(shelf, device, changes=changes)
    with attached(larger) as device:
        done = restored(shelf, device, changes=changes)
        assert any("left as large as it is: the rest" in text for text in done["plan"]["warnings"])
        assert_table_verifies(device, "gpt")
    assert places(larger) == places(path)
    run("fsck.vfat", "-n", copied(larger, behind * 512, sectors * 512, tmp_path / "fat.img"))


def test_a_partition_over_the_table(tmp_path: Path) -> None:
    """As images of optical discs have it that boot from cards as well."""
    path = tmp_path / "card.img"
    path.write_bytes(bytes(mbr_with((0x17, 0, 20000), sectors=40000)))
    shelf = shelf_with(tmp_path, path)
    target = full_of_ff(tmp_path / "target.img", 40 * MIB)
    changes = Changes(clone=CloneWishes(new_identity=True), scratch=tmp_path)
    with attached(target) as device, unharmed(target), pytest.raises(Refused, match="lies over the partition table"):
        restored(shelf, device, changes=changes)


def test_a_full_scratch_folder(cards: dict[str, tuple[Card, Shelf]], tmp_path: Path) -> None:
    card, shelf = cards["mbr"]
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size - 10 * MIB)
    changes = Changes(shrink=True, scratch=tmp_path / "scratch")
    with (
        attached(target) as device,
        unharmed(target),
        mounted("none", changes.scratch, "-t", "tmpfs", "-o", "size=40m"),
    ):
        with pytest.raises(Refused, match=r"has room for 40\.0 MiB, and up to .* are needed"):
            restored(shelf, device, changes=changes)
        tool("mount", "-o", "remount,size=200m", changes.scratch)

        class Meanwhile(Person):
            def step(self, step: Step) -> None:
                """Somebody else fills the folder."""
                with contextlib.suppress(OSError), (changes.scratch / "more").open("wb", buffering=0) as file:
                    while file.write(bytes(MIB)) == MIB:
                        pass

        with pytest.raises(Refused, match="took no more: No space left"):
            restored(shelf, device, Meanwhile(), changes=changes)


def test_only_the_tail_is_missing(cards: dict[str, tuple[Card, Shelf]], tmp_path: Path) -> None:
    """Where no partition reaches beyond the smaller card's end, nothing is made smaller."""
    for kind in ("mbr", "gpt"):
        card, shelf = cards[kind]
        target = full_of_ff(tmp_path / f"{kind}.img", card.path.stat().st_size - MIB)
        with attached(target) as device:
            done = restored(shelf, device, changes=Changes(shrink=True, scratch=tmp_path))
            assert_table_verifies(device, table_of(device)["label"])
        assert done["plan"]["changes"] == ()
        assert places(target) == places(card.path)
        assert_volumes(target, card, tmp_path / f"{kind}-out", full=False)


def with_large_sectors(folder: Path, label: str) -> Card:
    """A card with sectors of 4096 bytes: a FAT that counts in those, and ext4 with blocks of 4 KiB."""
    folder.mkdir()
    path, fat, ext4 = sparse(folder / "card.img", 96 * MIB), (MIB, 40 * MIB), (42 * MIB, 50 * MIB)
    boot, root = make_tree(folder / "boot", 20, 1), make_tree(folder / "root", 60, 2)
    with attached(path, 4096) as device:
        lines = [f"start={start // 4096}, size={size // 4096}" for start, size in (fat, ext4)]
        run("sfdisk", "--quiet", device, stdin="\n".join([f"label: {label}", *lines]) + "\n")
        run("mkfs.vfat", "-F", "16", "-s", "1", "-S", "4096", f"--offset={fat[0] // 4096}", device, str(fat[1] // 1024))
    run("mcopy", "-s", "-i", f"{path}@@{fat[0]}", *sorted(boot.iterdir()), "::")
    extended = f"offset={ext4[0]},root_owner=0:0"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-U", ROOT_UUID, "-d", root, "-E", extended, path, "50m")
    return Card(path, (Volume("fat", *fat, boot), Volume("ext4", *ext4, root)))


@pytest.mark.parametrize("label", ["dos", "gpt"])
def test_from_large_sectors_to_small_ones_and_back(tmp_path: Path, label: str) -> None:
    card = with_large_sectors(tmp_path / "card", label)
    with attached(card.path, 4096) as device:
        shelf = shelf_with(tmp_path, device)
    for sector in (512, 4096):
        target = full_of_ff(tmp_path / f"{sector}.img", 108 * MIB)
        with attached(target, sector) as device:
            done = restored(shelf, device, changes=Changes(fill=True, scratch=tmp_path))
            assert_table_verifies(device, table_of(device)["label"])
            said = " ".join(done["plan"]["changes"])
            assert ("is written for sectors of 512 bytes" in said) == (sector == 512)
            found = [(start * sector, count * sector) for start, count in places(device)]
            assert [start for start, _ in found] == [MIB, 42 * MIB]
            assert 106 * MIB <= sum(found[1]) <= 108 * MIB
        for (start, _), volume in zip(found, card.volumes, strict=True):
            with attached(target, offset=start) as alone:
                assert_volume(Path(alone), volume, tmp_path / f"out{sector}{volume.kind}")
    # The other way it depends on what the file systems count in.
    (tmp_path / "second").mkdir()
    with attached(tmp_path / "512.img") as device:
        shelf = shelf_with(tmp_path / "second", device)
    target = full_of_ff(tmp_path / "again.img", 108 * MIB)
    with attached(target, 4096) as device:
        restored(shelf, device, changes=Changes(scratch=tmp_path))
        assert_table_verifies(device, table_of(device)["label"])
        assert [start * 4096 for start, _ in places(device)] == [MIB, 42 * MIB]


def test_a_kill_leaves_no_secrets_and_no_harm(cards: dict[str, tuple[Card, Shelf]], tmp_path: Path) -> None:
    """SIGKILL while the file system is being made smaller; and while the card is written."""
    card, shelf = cards["mbr"]
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    target = full_of_ff(tmp_path / "target.img", card.path.stat().st_size - 10 * MIB)
    with attached(target) as device:
        for doing, done, left in (
            ("making partition 2 smaller", 0, "untouched"),
            ("writing", 40 * MIB, "empty"),
        ):
            code = (
                "import os, signal, sys; from tests.system.test_other_sizes import *\n"
                "class Killed(Person):\n"
                "    def step(self, step):\n"
                "        if step.name == sys.argv[3] and step.done >= int(sys.argv[5]):\n"
                "            os.kill(os.getpid(), signal.SIGKILL)\n"
                "from backupctl.share.shelf import open_shelf\n"
                "changes = Changes(shrink=True, scratch=Path(sys.argv[4]))\n"
                "restored(open_shelf(Path(sys.argv[1]), None), sys.argv[2], Killed(), changes=changes)\n"
            )
            words = [sys.executable, "-c", code, str(shelf.path), device, doing, str(scratch), str(done)]
            ended = subprocess.run(words, capture_output=True, check=False)
            assert ended.returncode == -signal.SIGKILL, ended.stderr
            assert list(scratch.iterdir()) == []
            if left == "empty":
                assert_looks_empty(device)
            else:
                assert target.read_bytes() == b"\xff" * target.stat().st_size
