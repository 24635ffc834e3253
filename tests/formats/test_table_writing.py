"""Tables written anew for another card, judged by sfdisk, sgdisk and partx."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from backupctl.board.card_file import FileReader
from backupctl.domain.fitting import Piece, fit
from backupctl.formats import mbr
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.table_writing import NewTable, rewritten, usable_end
from tests.card_images import MIB, run

pytestmark = pytest.mark.formats

TABLES = {
    "mbr": "label: dos\nlabel-id: 0x5eed0099\nsize=20MiB, type=c, bootable\nsize=30MiB\n",
    "logical": "label: dos\nlabel-id: 0x5eed0099\n1: size=9MiB\n2: size=70MiB, type=f\n5: size=10MiB\n6: size=10MiB\n"
    "7: size=30MiB\n",
    "empty": "label: dos\nlabel-id: 0x5eed0099\n1: size=20MiB\n2: size=30MiB, type=5\n",
    "gpt": 'label: gpt\nsize=20MiB, type=U, name=start, attrs="LegacyBIOSBootable"\nsize=30MiB, name=Gewächshaus\n',
    "long": "label: gpt\ntable-length: 300\nsize=20MiB\nsize=30MiB\n",
}


def made(folder: Path, kind: str) -> Path:
    for program in ("sfdisk", "sgdisk", "partx"):
        if shutil.which(program) is None:
            pytest.skip(f"not installed: {program}")
    path = folder / "card.img"
    with path.open("wb") as file:
        file.truncate(90 * MIB)
        file.write(bytes(range(256)))  # boot code
    if kind == "moved":
        run("sgdisk", "--move-main-table=4096", "--new=1:8192:20000", "--change-name=1:root", path)
        return path
    run("sfdisk", "-q", path, stdin=TABLES.get(kind, TABLES["logical"]))
    if kind == "first deleted":  # leaves an extended boot record that holds no partition
        run("sfdisk", "-q", "--delete", path, "5")
    return path


def told(path: Path) -> str:
    """All that sfdisk says of a table but sizes and places."""
    said = run("sfdisk", "-d", path).replace(str(path), "card")
    return re.sub(r"(start|size)= *\d+|(last|first)-lba: *\d+|table-length: *\d+", "", said)


@pytest.mark.parametrize("size", [75 * MIB + 512, 90 * MIB, 333 * MIB + 1536, 3 << 40])
@pytest.mark.parametrize("kind", [*TABLES, "moved", "first deleted"])
def test_for_a_card_of_another_size(tmp_path: Path, kind: str, size: int) -> None:
    card, other = made(tmp_path, kind), tmp_path / "other.img"
    with FileReader(card) as reader:
        table = read_partition_table(reader)
        assert table
        pieces = [Piece(p.number, "ext4", p.start, p.end) for p in table.partitions]
        container = mbr.extended_partition(reader.read_at(0, 512), 512) if table.scheme == "mbr" else None
        end = usable_end(table, reader, size, 512)
        fitted = fit(pieces, container, end, fill=True)
        patches = rewritten(reader, table, NewTable(size, 512, fitted.places, fitted.container))
    with other.open("xb") as file:
        file.truncate(size)
        for offset, content in patches:
            file.seek(offset)
            file.write(content)
    assert "No errors detected." in run("sfdisk", "--verify", other)
    assert told(other) == told(card)
    assert other.read_bytes()[:256] == bytes(range(256)) if size < 1 << 30 else True
    found = run("partx", "--show", "--noheadings", "--bytes", "-o", "NR,START,END", other).split("\n")
    shown = {
        int(number): (int(start) * 512, (int(last) + 1) * 512)
        for number, start, last in map(str.split, filter(None, found))
    }
    assert {n: place for n, place in shown.items() if n in fitted.places} == dict(fitted.places)
    assert end - max(place[1] for place in (*fitted.places.values(), fitted.container) if place) < MIB
    if table.scheme == "gpt":
        assert "No problems found" in run("sgdisk", "--verify", other)
    else:
        assert end <= 2 << 40  # sectors are counted in 32 bits (UEFI, section 5.2.1)
