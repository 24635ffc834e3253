"""A capture restored onto the card that it was taken of, where the journal of the life since then still lies.

Transactions of that life are numbered as those of the new one will be. If its journal's body stayed, recovery after a
power cut would go on from the last transaction of the new life to the next of the old one.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest

from tests.card_images import Card, Volume, mbr_card, run, take_out
from tests.formats.ext4_images import journal_by_debugfs
from tests.system.loop_device import attached, mounted, need, partition
from tests.system.test_restore_card import restored, shelf_with

pytestmark = pytest.mark.system

# No commits but by fsync, and no thread that initialises inode tables: so that two lives that begin alike write alike.
MOUNT = ("-t", "ext4", "-o", "commit=300,noinit_itable,noatime")
BEGINNING = 3


def write_synced(place: Path, name: str) -> None:
    with (place / name).open("wb") as file:
        file.write(name.encode() * 200)
        file.flush()
        os.fsync(file.fileno())


def hashes(tree: Path) -> dict[str, str]:
    return {
        str(path.relative_to(tree)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(tree.rglob("*"))
        if path.is_file()
    }


def life_to_be_undone(place: Path) -> None:
    """Begins as the later one will, and then removes all that the capture holds."""
    for number in range(BEGINNING):
        write_synced(place, f"morning{number}")
    for path in sorted(place.iterdir()):
        if path.name.startswith("room"):
            shutil.rmtree(path)
            write_synced(place, f"after-{path.name}")
    for number in range(30):
        write_synced(place, f"future{number}")


def recovered_after_power_cut(card: Path, root: Volume, scratch: Path) -> dict[str, str]:
    """Mounts the root, writes a few synced files, cuts the power, recovers; the hash of each file then."""
    scratch.mkdir()
    cut = scratch / "cut.img"
    with (
        attached(card) as device,
        partition(device, 2, root.start, root.size) as second,
        mounted(second, scratch / "live", *MOUNT) as place,
    ):
        for number in range(BEGINNING):
            write_synced(place, f"morning{number}")
        # What the card holds at this moment; what is only in the file system's memory is lost.
        shutil.copyfile(card, cut)
    assert "needs_recovery" in run("dumpe2fs", "-h", take_out(cut, root, scratch / "volume.img"))
    with (
        attached(cut) as device,
        partition(device, 2, root.start, root.size) as second,
        mounted(second, scratch / "recovered", *MOUNT) as place,
    ):
        return hashes(place)


def put_back_old_journal(used: Path, card: Path, root: Volume, scratch: Path) -> None:
    """The journal's body, without its superblock, as it was on the used card."""
    alone = take_out(used, root, scratch)
    header = run("dumpe2fs", "-h", alone)
    block = int(next(line.split()[-1] for line in header.splitlines() if line.startswith("Block size:")))
    (first, end), *more = journal_by_debugfs(alone)
    with used.open("rb") as old, card.open("r+b") as new:
        for start, stop in [(first + 1, end), *more]:
            old.seek(root.start + start * block)
            new.seek(root.start + start * block)
            new.write(old.read((stop - start) * block))


def test_recovery_after_a_power_cut_knows_nothing_of_the_old_life(tmp_path: Path) -> None:
    need("dumpe2fs", "debugfs", "cp")
    card: Card = mbr_card(tmp_path)
    root = card.volume("ext4")
    assert root.tree is not None
    shelf = shelf_with(tmp_path, card.path)
    with (
        attached(card.path) as device,
        partition(device, 2, root.start, root.size) as second,
        mounted(second, tmp_path / "life", *MOUNT) as place,
    ):
        life_to_be_undone(place)
    used = Path(shutil.copyfile(card.path, tmp_path / "used.img"))
    with attached(card.path) as device:
        restored(shelf, device)
    control = Path(shutil.copyfile(card.path, tmp_path / "control.img"))

    expected = hashes(root.tree)
    synced = {f"morning{number}" for number in range(BEGINNING)}
    found = recovered_after_power_cut(card.path, root, tmp_path / "zeroed")
    assert {name: found[name] for name in expected} == expected
    assert set(found) == set(expected) | synced
    for name in synced:
        assert found[name] == hashlib.sha256(name.encode() * 200).hexdigest()

    put_back_old_journal(used, control, root, tmp_path / "volume.img")
    wrong = recovered_after_power_cut(control, root, tmp_path / "control")
    assert any(name.startswith("future") for name in wrong)
    assert len(set(expected) - set(wrong)) > len(expected) // 2
