"""Partition tables made by sfdisk and sgdisk, read by us, by sfdisk --json and by partx."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.domain.errors import Malformed
from backupctl.domain.volume import PartitionTable
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import BytesReader
from tests.formats.table_images import GptCard, mbr_card, put_record

pytestmark = pytest.mark.formats

MIB = 1 << 20
_SYSTEM_PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
_EXTENDED = {"5", "f", "85"}

Place = tuple[int, int, str, bool]  # start and length in sectors, type, bootable


def run(tool: str, *arguments: str | Path, feed: str | None = None) -> str:
    program = shutil.which(tool, path=_SYSTEM_PATH)
    if program is None:
        pytest.skip(f"{tool} is not installed")
    done = subprocess.run(
        [program, *map(str, arguments)],
        input=feed,
        stdin=subprocess.DEVNULL if feed is None else None,
        capture_output=True,
        text=True,
        timeout=60,
        env={"LC_ALL": "C.UTF-8", "PATH": _SYSTEM_PATH},
    )
    assert done.returncode == 0, f"{tool}: {done.stderr}"
    return done.stdout


def blank_card(path: Path, size: int = 64 * MIB) -> Path:
    path.touch()
    os.truncate(path, size)
    return path


def sfdisk_card(path: Path, script: str, size: int = 64 * MIB) -> Path:
    run("sfdisk", "--quiet", blank_card(path, size), feed=script)
    return path


def read(card: Path, sector_size: int | None = None) -> PartitionTable:
    table = read_partition_table(BytesReader(card.read_bytes()), sector_size)
    assert table is not None
    return table


def sfdisk_reading(card: Path) -> tuple[str, int, dict[int, Place], dict[int, tuple[str, str]]]:
    """Scheme, sector size, places by number, and (UUID, name) by number where sfdisk tells them."""
    told = json.loads(run("sfdisk", "--json", card))["partitiontable"]
    places = {}
    names = {}
    for entry in told.get("partitions", []):
        digits = re.fullmatch(r"p?(\d+)", entry["node"].removeprefix(told["device"]))
        assert digits is not None
        number = int(digits[1])
        kind = entry["type"]
        bootable = entry.get("bootable", False) or "LegacyBIOSBootable" in entry.get("attrs", "")
        if told["label"] == "dos":
            if kind in _EXTENDED:
                continue
            kind = f"{int(kind, 16):02x}"
        places[number] = (entry["start"], entry["size"], kind, bootable)
        if "uuid" in entry:
            names[number] = (entry["uuid"].lower(), entry.get("name", ""))
    return {"dos": "mbr", "gpt": "gpt"}[told["label"]], told["sectorsize"], places, names


def our_places(table: PartitionTable) -> dict[int, Place]:
    unit = table.sector_size
    assert all(p.start % unit == 0 and p.end % unit == 0 for p in table.partitions)
    return {p.number: (p.start // unit, (p.end - p.start) // unit, p.type, p.bootable) for p in table.partitions}


def check_against_sfdisk(card: Path, table: PartitionTable) -> None:
    scheme, sector_size, places, names = sfdisk_reading(card)
    assert (table.scheme, table.sector_size) == (scheme, sector_size)
    assert our_places(table) == places
    if scheme == "gpt":
        assert {p.number: (p.identity, p.name) for p in table.partitions} == names


def check_against_partx(card: Path, table: PartitionTable, containers: frozenset[int] = frozenset()) -> None:
    """Places and PARTUUIDs as libblkid sees them; partx counts in 512 bytes whatever the sector size."""
    sector_size = str(table.sector_size)
    told = run("partx", "--raw", "--noheadings", "-S", sector_size, "-o", "NR,START,SECTORS,UUID", card)
    rows = [line.split() for line in told.splitlines()]
    seen = {int(row[0]): (int(row[1]) * 512, int(row[2]) * 512, row[3]) for row in rows}
    ours = {p.number: (p.start, p.end - p.start, p.identity) for p in table.partitions}
    assert ours == {number: row for number, row in seen.items() if number not in containers}


HEAD = "label: dos\nlabel-id: 0xdeadbeef\nunit: sectors\n"

MBR_LAYOUTS = {
    "boot and root": "2048,8192,c,*\n10240,,83\n",
    "four primaries": "2048,2048,b\n4096,2048,82\n6144,2048,83\n8192,2048,7\n",
    "out of order": "20480,2048,83\n2048,2048,c\n",
    "a gap in the numbers": "1: start=2048,size=2048,type=c\n3: start=8192,size=100,type=83\n",
    "one sector, at odd places": "1,1,83\n3,1,83\n131071,1,83\n",
    # The worked example: extended at 18432, its second record at 28672.
    "two logicals": "1: start=18432,size=100000,type=5\n5: start=20480,size=8192,type=83\n"
    "6: start=30720,size=8192,type=82\n",
    "primaries beside logicals, LBA container": "1: start=2048,size=2048,type=c,bootable\n"
    "2: start=8192,size=60000,type=f\n4: start=70000,size=3000,type=83\n"
    "5: start=10240,size=1000,type=83\n6: start=14336,size=1000,type=82\n7: start=30000,size=1000,type=c\n",
    "Linux container": "1: start=8192,size=60000,type=85\n5: start=10240,size=1000,type=83\n",
    "ten logicals": "4: start=8192,size=100000,type=f\n"
    + "".join(f"{5 + i}: start={10240 + i * 4096},size=2000,type=83\n" for i in range(10)),
    "empty container": "1: start=2048,size=2048,type=c\n2: start=8192,size=60000,type=5\n",
    "no partition": "",
}


@pytest.mark.parametrize("layout", MBR_LAYOUTS)
@pytest.mark.parametrize("told", [None, 512])
def test_mbr_as_sfdisk_and_partx_read_it(tmp_path: Path, layout: str, told: int | None) -> None:
    card = sfdisk_card(tmp_path / "card.img", HEAD + MBR_LAYOUTS[layout])
    table = read(card, told)
    assert table.identity == "deadbeef"
    check_against_sfdisk(card, table)
    containers = frozenset(int(n) for n in re.findall(r"(\d+): [^\n]*type=(?:5|f|85)\n", MBR_LAYOUTS[layout]))
    check_against_partx(card, table, containers)


def test_worked_example_of_a_chain(tmp_path: Path) -> None:
    """Places of the boot records as measured with sfdisk 2.38.1: 18432, and 18432 + 10240."""
    table = read(sfdisk_card(tmp_path / "card.img", HEAD + MBR_LAYOUTS["two logicals"]))
    assert list(table.structures) == [(lba * 512, (lba + 1) * 512) for lba in (0, 18432, 28672)]
    assert [p.identity for p in table.partitions] == ["deadbeef-05", "deadbeef-06"]


@pytest.mark.parametrize("deleted", [(5,), (6,), (7,), (5, 5), (7, 6, 5)], ids=str)
def test_chain_after_logicals_were_deleted(tmp_path: Path, deleted: tuple[int, ...]) -> None:
    layout = MBR_LAYOUTS["primaries beside logicals, LBA container"]
    card = sfdisk_card(tmp_path / "card.img", HEAD + layout)
    for number in deleted:
        run("sfdisk", "--quiet", "--delete", card, str(number))
    table = read(card)
    check_against_sfdisk(card, table)
    check_against_partx(card, table, frozenset({2}))


GPT_LAYOUTS = {
    "boot and root": "2048,8192,U\n10240,,L\n",
    "names, ids and the BIOS flag": "label-id: 00112233-4455-6677-8899-AABBCCDDEEFF\n"
    'start=2048,size=8192,type=U,uuid=11112233-4455-6677-8899-AABBCCDDEEFF,name="boot é☃𝄞"\n'
    'start=10240,size=100,type=L,attrs="LegacyBIOSBootable",name="Names may have 36 units, as this has"\n',
    "gaps and out of order": "3: start=20480,size=100,type=L\n7: start=2048,size=1,type=S\n",
    "a table of four": "table-length: 4\n2048,2048,L\n4096,2048,L\n",
    "from the first usable sector to the last": "first-lba: 34\n34,131005,L\n",
    "no partition": "",
    "128 partitions": "".join(f"{2048 + 100 * i},100,L\n" for i in range(128)),
}


@pytest.mark.parametrize("layout", GPT_LAYOUTS)
@pytest.mark.parametrize("told", [None, 512])
def test_gpt_as_sfdisk_and_partx_read_it(tmp_path: Path, layout: str, told: int | None) -> None:
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\nunit: sectors\n" + GPT_LAYOUTS[layout])
    table = read(card, told)
    assert table.warnings == ()
    assert table.identity == json.loads(run("sfdisk", "--json", card))["partitiontable"]["id"].lower()
    check_against_sfdisk(card, table)
    check_against_partx(card, table)


def test_gpt_structures_of_64_mib(tmp_path: Path) -> None:
    """As measured with sfdisk 2.38.1: backup header at sector 131071, backup entries at 131039, 16384 bytes of them."""
    table = read(sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,2048,L\n"))
    assert list(table.structures) == [(0, 34 * 512), (131039 * 512, 131072 * 512)]


def test_gpt_made_by_sgdisk_with_its_main_table_moved(tmp_path: Path) -> None:
    """sgdisk --move-main-table leaves room for a boot loader between the header and the entries."""
    card = blank_card(tmp_path / "card.img")
    run("sgdisk", "--move-main-table=4096", "--new=1:8192:20000", "--change-name=1:root", card)
    assert "No problems found" in run("sgdisk", "--verify", card)
    table = read(card)
    check_against_sfdisk(card, table)
    told = run("sgdisk", "--info=1", card)
    (partition,) = table.partitions
    assert f"First sector: {partition.start // 512} " in told
    assert f"Last sector: {partition.end // 512 - 1} " in told
    assert f"Partition unique GUID: {partition.identity.upper()}\n" in told
    assert table.structures.covers(4096 * 512, 4128 * 512)


@pytest.mark.parametrize("sectors", [(1, 2), (2, 3), (1, 34)], ids=["header", "entries", "both"])
def test_damaged_primary_is_read_from_the_backup_as_sfdisk_does(tmp_path: Path, sectors: tuple[int, int]) -> None:
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,8192,U\n10240,,L\n")
    with card.open("r+b") as file:
        file.seek(sectors[0] * 512)
        file.write(b"\xa5" * 512 * (sectors[1] - sectors[0]))
    table = read(card)
    assert any("primary GPT is damaged" in warning for warning in table.warnings)
    check_against_sfdisk(card, table)


def test_damaged_backup_is_told(tmp_path: Path) -> None:
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,8192,U\n")
    with card.open("r+b") as file:
        file.seek(131071 * 512)
        file.write(bytes(512))
    table = read(card)
    assert any("no sound backup" in warning for warning in table.warnings)
    check_against_sfdisk(card, table)


def test_image_on_a_larger_card(tmp_path: Path) -> None:
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,8192,U\n")
    os.truncate(card, 65 * MIB)
    table = read(card)
    assert any("made for a smaller card" in warning for warning in table.warnings)
    check_against_sfdisk(card, table)


def test_image_cut_short(tmp_path: Path) -> None:
    """`partx` sees a partition that the cut card cannot have; the header's last usable sector is gone as well."""
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,,L\n")
    os.truncate(card, 63 * MIB)
    with pytest.raises(Malformed):
        read(card)


def test_mbr_wins_over_a_left_over_gpt(tmp_path: Path) -> None:
    """UEFI, section 5.3.2. sfdisk --wipe never leaves the old GPT where it stands."""
    card = sfdisk_card(tmp_path / "card.img", "label: gpt\n2048,8192,U\n")
    with card.open("r+b") as file:
        file.write(mbr_card((0x0C, 2048, 2048), (0x83, 4096, 2048))[:512])
    table = read(card)
    assert table.scheme == "mbr"
    check_against_partx(card, table)


def test_hand_made_tables_are_tables_to_sfdisk(tmp_path: Path) -> None:
    """The images that the tests of lying tables and the property tests start from."""
    card = tmp_path / "card.img"
    card.write_bytes(GptCard.with_partitions((34, 99), (100, 100), (200, 478), sectors=8192).bytes())
    assert "No problems found" in run("sgdisk", "--verify", card)
    check_against_sfdisk(card, read(card))
    chain = mbr_card((0x0C, 64, 64), (0x05, 512, 1024))
    put_record(chain, 512 * 512, [(0x83, 64, 64), (0x05, 256, 256)])
    put_record(chain, 768 * 512, [(0x82, 64, 64)])
    card.write_bytes(chain)
    check_against_sfdisk(card, read(card))


@contextmanager
def loop_device(card: Path, sector_size: int) -> Iterator[str]:
    if os.geteuid() != 0:
        pytest.skip("loop devices need root")
    try:
        device = run("losetup", "--find", "--show", "--sector-size", str(sector_size), card).strip()
    except AssertionError as error:
        pytest.skip(f"no loop device: {error}")
    try:
        yield device
    finally:
        run("losetup", "--detach", device)


@pytest.mark.system
@pytest.mark.parametrize(
    "script",
    [
        HEAD + "256,1024,c,*\n2048,,83\n",
        HEAD + "1: start=2048,size=12000,type=5\n5: start=2560,size=1024,type=83\n6: start=5120,size=1024,type=82\n",
        "label: gpt\nfirst-lba: 6\n256,1024,U\n2048,,L\n",
        "label: gpt\n256,1024,U\n",
    ],
    ids=["mbr", "mbr chain", "gpt", "gpt, default first sector"],
)
def test_4096_byte_sectors_as_sfdisk_reads_them(tmp_path: Path, script: str) -> None:
    card = blank_card(tmp_path / "card.img")
    with loop_device(card, 4096) as device:
        run("sfdisk", "--quiet", "--no-reread", device, feed=script)
        scheme, sector_size, places, _ = sfdisk_reading(Path(device))
    table = read(card, 4096)
    assert (table.scheme, table.sector_size, our_places(table)) == (scheme, sector_size, places)
    check_against_partx(card, table, frozenset({1}) if "type=5" in script else frozenset())
    if "type=5" in script or scheme == "gpt":
        untold = read(card)
        assert (untold.sector_size, untold.partitions) == (4096, table.partitions)


@pytest.mark.parametrize("sector_size", [512, 4096])
@pytest.mark.parametrize("system", ["ext4", "vfat"])
def test_contents_tell_the_sector_size_of_an_mbr(tmp_path: Path, sector_size: int, system: str) -> None:
    """A file system made where the entry points, in blocks that a device with such sectors can carry."""
    card = tmp_path / "card.img"
    card.write_bytes(mbr_card((0x83, 256, 2048), sectors=16384 * 4096 // sector_size, sector_size=sector_size))
    start, length = 256 * sector_size, 2048 * sector_size
    if system == "ext4":
        block = str(max(1024, sector_size))
        run("mke2fs", "-q", "-b", block, "-E", f"offset={start}", card, f"{length // 1024}k")
    else:
        volume = blank_card(tmp_path / "volume.img", length)
        run("mkfs.vfat", "-S", str(sector_size), volume)
        with card.open("r+b") as file:
            file.seek(start)
            file.write(volume.read_bytes())
    table = read(card)
    assert table.sector_size == sector_size
    check_against_partx(card, table)
    assert bool(table.warnings) == (sector_size != 512)


def test_contents_that_4096_byte_sectors_cannot_carry_tell_nothing(tmp_path: Path) -> None:
    """An old file system in 1 KiB blocks where the entry would point if sectors had 4096 bytes."""
    card = tmp_path / "card.img"
    card.write_bytes(mbr_card((0x83, 256, 2048), sectors=32768))
    run("mke2fs", "-q", "-b", "1024", "-E", f"offset={256 * 4096}", card, "4096k")
    table = read(card)
    assert (table.sector_size, table.warnings) == (512, ())
    check_against_sfdisk(card, table)


@pytest.mark.parametrize(
    ("tool", "arguments"),
    [
        ("mkfs.vfat", ["-F", "12"]),
        ("mkfs.vfat", ["-F", "16"]),
        ("mkfs.vfat", ["-F", "32", "-s", "1"]),
        ("mke2fs", ["-q", "-t", "ext4"]),
        ("mkswap", ["-q"]),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else value,
)
def test_bare_file_system_has_no_table(tmp_path: Path, tool: str, arguments: list[str]) -> None:
    card = blank_card(tmp_path / "card.img", 48 * MIB)
    run(tool, *arguments, card)
    assert "PTTYPE" not in run("blkid", "--probe", "--output", "export", card)
    for told in (None, 512, 4096):
        assert read_partition_table(BytesReader(card.read_bytes()), told) is None


def test_boot_code_of_a_bare_fat_is_not_a_table(tmp_path: Path) -> None:
    card = blank_card(tmp_path / "card.img", 8 * MIB)
    run("mkfs.vfat", card)
    with card.open("r+b") as file:
        file.seek(420)
        file.write(b"No system on this card. Put in another one, then press any key to go on.\r\n\0")
    probe = run("blkid", "--probe", "--output", "export", card)
    assert "TYPE=vfat" in probe and "PTTYPE" not in probe
    assert read_partition_table(BytesReader(card.read_bytes())) is None


def test_table_over_an_old_bare_fat(tmp_path: Path) -> None:
    """sfdisk keeps the boot code, and with it the old file system's parameters: the table counts."""
    card = blank_card(tmp_path / "card.img")
    run("mkfs.vfat", card)
    run("sfdisk", "--quiet", "--wipe=never", card, feed=HEAD + "2048,8192,c\n10240,,83\n")
    assert card.read_bytes()[54:57] == b"FAT" or card.read_bytes()[82:85] == b"FAT"
    check_against_sfdisk(card, read(card))


def test_fat_with_a_table_of_its_own(tmp_path: Path) -> None:
    """mkfs.vfat --mbr: a bare file system whose boot sector also claims one partition from sector 0."""
    card = blank_card(tmp_path / "card.img", 8 * MIB)
    run("mkfs.vfat", "--mbr=yes", card)
    table = read(card)
    check_against_sfdisk(card, table)
    assert any("sector 0" in warning for warning in table.warnings)


AWKWARD = [
    ("memtest86+", "usr/lib/memtest86+/memtest86+x64.iso"),
    ("memtest86+", "usr/lib/memtest86+/memtest86+ia32.iso"),
    ("ipxe", "usr/lib/ipxe/ipxe.iso"),
    ("grub-rescue-pc", "usr/lib/grub-rescue/grub-rescue-cdrom.iso"),
    ("grub-rescue-pc", "usr/lib/grub-rescue/grub-rescue-floppy.img"),
]


def unpacked(package: str) -> Path:
    """A Debian package's files, fetched once into the user's cache."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "backupctl-tests" / package
    if not folder.exists():
        if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
            pytest.skip("apt-get and dpkg-deb are needed to fetch real images")
        fetching = folder.with_name(f"{package}.{os.getpid()}")
        fetching.mkdir(parents=True)
        try:
            done = subprocess.run(
                ["apt-get", "download", package], cwd=fetching, capture_output=True, text=True, timeout=120
            )
            if done.returncode != 0:
                pytest.skip(f"apt-get download {package}: {done.stderr.strip()[-200:]}")
            (archive,) = fetching.glob("*.deb")
            run("dpkg-deb", "--extract", archive, fetching / "files")
            try:
                (fetching / "files").rename(folder)
            except OSError:
                if not folder.exists():  # nobody else was quicker
                    raise
        finally:
            shutil.rmtree(fetching)
    return folder


@pytest.mark.parametrize(("package", "name"), AWKWARD, ids=lambda value: str(value).rsplit("/", 1)[-1])
@pytest.mark.parametrize("told", [None, 512])
def test_awkward_real_images(package: str, name: str, told: int | None) -> None:
    """Partitions from sector 0, of type 0, without a disk id: as sfdisk reads them."""
    card = unpacked(package) / name
    if not card.exists():
        pytest.skip(f"this version of {package} has no {name}")
    check_against_sfdisk(card, read(card, told))


@pytest.mark.parametrize(("package", "name"), AWKWARD, ids=lambda value: str(value).rsplit("/", 1)[-1])
def test_awkward_real_images_read_as_4096(package: str, name: str) -> None:
    """The wrong sector size puts their partitions beyond the end."""
    card = unpacked(package) / name
    if not card.exists():
        pytest.skip(f"this version of {package} has no {name}")
    _, _, places, _ = sfdisk_reading(card)
    assert any((start + length) * 4096 > card.stat().st_size for start, length, _, _ in places.values())
    with pytest.raises(Malformed):
        read(card, 4096)
