"""The invented board of the demo: its files, a card that holds them, and what a day changes on both.

Everything is done on plain files, without mounts or loop devices, so an ordinary user can do it. Programs run in the
demo's folder and get names relative to it: some of them give a meaning to characters (`?`, `@`, `"`) that a folder's
name may hold.
"""

from __future__ import annotations

import filecmp
import random
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from backupctl.board.process import find_program, run
from backupctl.domain.errors import BackupctlError, Refused

MIB = 1 << 20
CARD_BYTES = 256 * MIB
_BOOT_START = 4 * MIB
# FAT32 has at least 65 525 clusters (Microsoft, FAT specification 1.03, "FAT type determination"): 48 MiB at 512 bytes.
_BOOT_BYTES = 48 * MIB
_ROOT_START = _BOOT_START + _BOOT_BYTES
_ROOT_BYTES = CARD_BYTES - _ROOT_START
_SECTOR = 512
_DEADLINE_SECONDS = 120.0
_SEED = 20260401
_FIRST_DAY = datetime(2026, 3, 2, tzinfo=UTC)
_DAYS = 90
_RELEASE = "6.1.0-greenhouse"
_HOSTS = b"127.0.0.1 localhost\n127.0.1.1 greenhouse\n"

# Debian's packages of the programs that the demo runs.
PACKAGES = {
    "sfdisk": "fdisk",
    "mkfs.vfat": "dosfstools",
    "fsck.vfat": "dosfstools",
    "mcopy": "mtools",
    "mke2fs": "e2fsprogs",
    "debugfs": "e2fsprogs",
    "e2fsck": "e2fsprogs",
    "cp": "coreutils",
    "dd": "coreutils",
    "sh": "dash",
    "awk": "mawk",
    "zstd": "zstd",
}


def need_programs() -> None:
    """Raises Refused, with the packages to install, if a program is missing."""
    missing = [name for name in PACKAGES if find_program(name) is None]
    if missing:
        packages = sorted({PACKAGES[name] for name in missing})
        raise Refused(
            f"the demo needs {', '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not installed",
            f"On Debian, as root: apt install {' '.join(packages)}",
        )


@dataclass(frozen=True)
class Board:
    """What is on the card: the folders that its two partitions were filled from. Paths are relative to `folder`."""

    folder: Path

    @property
    def boot(self) -> Path:
        return self.folder / "files" / "boot"

    @property
    def root(self) -> Path:
        return self.folder / "files" / "root"

    def count(self) -> int:
        return sum(path.is_file() for tree in (self.boot, self.root) for path in tree.rglob("*"))

    def run(self, *args: str) -> None:
        """Runs a program in the demo's folder. Raises BackupctlError."""
        run(args, _DEADLINE_SECONDS, cwd=self.folder)


def invent(board: Board) -> None:
    """Makes up the files of a small board that reads sensors: the same ones each time."""
    chance = random.Random(_SEED)
    _fill(board.boot, {
        "kernel.img": _kernel(chance),
        "initial.img": chance.randbytes(3 * MIB),
        "config.txt": b"kernel=kernel.img\ninitramfs initial.img\n",
        "cmdline.txt": b"console=ttyS0 root=PARTUUID=0ddba11e-02 rootwait ro\n",
        **{f"overlays/sensor-{number}.dtb": _program(chance, 4096) for number in range(12)},
    })  # fmt: skip
    _fill(board.root, {
        "etc/hostname": b"greenhouse\n",
        "etc/hosts": _HOSTS,
        "etc/fstab": b"PARTUUID=0ddba11e-01 /boot vfat defaults 0 2\nPARTUUID=0ddba11e-02 / ext4 defaults 0 1\n",
        "etc/passwd": b"root:x:0:0:root:/root:/bin/sh\nkeeper:x:1000:1000::/home/keeper:/bin/sh\n",
        **{f"etc/sensors.d/bed-{number:02}.conf": _settings(chance, number) for number in range(40)},
        "home/keeper/notes.txt": b"Tomatoes: water at six. The vent on the north side sticks.\n",
        **{f"home/keeper/pictures/bed-{number:02}.jpg": chance.randbytes(300_000) for number in range(20)},
        **{f"lib/modules/{_RELEASE}/driver-{number:03}.ko": _program(chance, 40_000) for number in range(150)},
        "sbin/init": _executable(chance),
        **{f"usr/bin/tool-{number:02}": _program(chance, 250_000) for number in range(40)},
        "usr/bin/gatherer": _program(chance, 3 * MIB),
        **{f"srv/readings/{_day(day)}.csv": _readings(chance, day) for day in range(_DAYS)},
        **{f"var/log/gatherer/{_day(day)}.log": _log(chance, day) for day in range(_DAYS - 30, _DAYS)},
    })  # fmt: skip
    (board.root / "sbin/init").chmod(0o755)
    (board.root / "boot").mkdir()
    (board.root / "tmp").mkdir()
    (board.root / "usr/bin/latest").symlink_to("gatherer")
    (board.root / "srv/readings/newest.csv").symlink_to(f"{_day(_DAYS - 1)}.csv")
    _add_rows(board.root / "srv/greenhouse.sqlite", chance, 0, 20_000)


def make_card(board: Board, card: str) -> None:
    """A card file with an MBR, a FAT32 boot partition and an ext4 root that hold the board's files."""
    with (board.folder / card).open("xb") as file:
        file.truncate(CARD_BYTES)
    script = board.folder / "files" / "table"
    script.write_text(
        "label: dos\nlabel-id: 0x0ddba11e\n"
        f"start={_BOOT_START // _SECTOR}, size={_BOOT_BYTES // _SECTOR}, type=c, bootable\n"
        f"start={_ROOT_START // _SECTOR}, size={_ROOT_BYTES // _SECTOR}, type=83\n"
    )
    table = ("sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", card)
    run(table, _DEADLINE_SECONDS, cwd=board.folder, stdin=script)
    fat = ("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOT", "--offset", str(_BOOT_START // _SECTOR))
    board.run(*fat, card, str(_BOOT_BYTES // 1024))
    _copy_in(board, card, sorted(path.name for path in board.boot.iterdir()))
    options = f"offset={_ROOT_START},root_owner=0:0,lazy_itable_init=0"
    size = f"{_ROOT_BYTES // 1024}k"
    board.run("mke2fs", "-q", "-t", "ext4", "-L", "root", "-d", "files/root", "-E", options, card, size)


def one_day_later(board: Board, card: str) -> int:
    """Changes the board's files, and those on the card with them, as a day and an upgrade do; how many changed."""
    chance = random.Random(_SEED + 1)
    settings = b"kernel=kernel.img\ninitramfs initial.img\ndisable_splash=1\n"
    _fill(board.boot, {"kernel.img": _kernel(chance), "config.txt": settings})
    _copy_in(board, card, ["kernel.img", "config.txt"])
    new = {
        "usr/bin/gatherer": _program(chance, 3 * MIB),
        "etc/hosts": _HOSTS + b"10.20.0.7 weather\n",
        "etc/sensors.d/bed-40.conf": _settings(chance, 40),
        f"srv/readings/{_day(_DAYS)}.csv": _readings(chance, _DAYS),
        f"var/log/gatherer/{_day(_DAYS)}.log": _log(chance, _DAYS),
    }
    gone = [f"var/log/gatherer/{_day(_DAYS - 30)}.log", "home/keeper/pictures/bed-07.jpg"]
    database = "srv/greenhouse.sqlite"
    replaced = [database, *(name for name in new if (board.root / name).exists())]
    _add_rows(board.root / database, chance, 20_000, 500)
    _fill(board.root, new)
    for name in gone:
        (board.root / name).unlink()
    commands = [f"rm /{name}" for name in [*gone, *replaced]]
    for name in [database, *new]:
        folder, _, last = name.rpartition("/")
        commands += [f"cd /{folder}", f"write files/root/{name} {last}"]
    script = board.folder / "files" / "changes"
    script.write_text("\n".join(commands) + "\n")
    board.run("debugfs", "-w", "-f", "files/changes", f"{card}?offset={_ROOT_START}")
    return len(new) + len(gone) + 3


def check_file_systems(board: Board, card: str) -> None:
    """Lets the checkers of both file systems judge. Raises ProgramFailed with what they said."""
    board.run("e2fsck", "-fn", f"{card}?offset={_ROOT_START}")
    boot = board.folder / "files" / "boot-partition"
    with (board.folder / card).open("rb") as file, boot.open("wb") as alone:
        file.seek(_BOOT_START)
        alone.write(file.read(_BOOT_BYTES))
    board.run("fsck.vfat", "-n", "files/boot-partition")
    boot.unlink()


def check_files(board: Board, card: str) -> None:
    """Takes every file off the card again and compares. Raises BackupctlError, naming the first that differ."""
    out = board.folder / "files" / "out"
    (out / "boot").mkdir(parents=True)
    (out / "root").mkdir()
    board.run("mcopy", "-s", "-i", f"{card}@@{_BOOT_START}", "::*", "files/out/boot")
    board.run("debugfs", "-R", "rdump / files/out/root", f"{card}?offset={_ROOT_START}")
    # mke2fs makes lost+found in every file system.
    shutil.rmtree(out / "root" / "lost+found")
    wrong = [*_differences(board.boot, out / "boot"), *_differences(board.root, out / "root")]
    shutil.rmtree(out)
    if wrong:
        raise BackupctlError(
            f"{len(wrong)} files of {card} are not what was on the card: {', '.join(wrong[:5])}",
            "That is a fault of this program or of this machine's memory or disk. Please tell.",
        )


def _differences(ours: Path, theirs: Path) -> Iterator[str]:
    names = {path.relative_to(tree) for tree in (ours, theirs) for path in tree.rglob("*")}
    for name in sorted(names):
        one, other = ours / name, theirs / name
        if one.is_symlink() or other.is_symlink():
            same = one.is_symlink() and other.is_symlink() and one.readlink() == other.readlink()
        elif one.is_file() and other.is_file():
            same = filecmp.cmp(one, other, shallow=False)
        else:
            same = one.is_dir() and other.is_dir()
        if not same:
            yield str(name)


def _copy_in(board: Board, card: str, names: list[str]) -> None:
    sources = [f"files/boot/{name}" for name in names]
    board.run("mcopy", "-o", "-s", "-i", f"{card}@@{_BOOT_START}", *sources, "::/")


def _fill(tree: Path, contents: dict[str, bytes]) -> None:
    for name, content in contents.items():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_bytes(content)


def _day(number: int) -> str:
    return f"{_FIRST_DAY + timedelta(number):%Y-%m-%d}"


def _program(chance: random.Random, size: int) -> bytes:
    """Bytes that shrink to somewhat more than half, as machine code does."""
    content = bytearray(size)
    content[::2] = chance.randbytes((size + 1) // 2)
    return bytes(content)


def _kernel(chance: random.Random) -> bytes:
    """What looks like an arm64 kernel from outside (its Documentation/arch/arm64/booting.rst, and its banner)."""
    head = bytes(56) + b"ARM\x64" + bytes(4)
    return head + f"Linux version {_RELEASE} (keeper@bench) #1\n".encode() + _program(chance, 6 * MIB)


def _executable(chance: random.Random) -> bytes:
    """What looks like a program for arm64 that needs no other: a header of ELF (System V ABI), machine 183."""
    head = (
        b"\x7fELF\x02\x01\x01" + bytes(9) + struct.pack("<HHIQQQIHHHHHH", 2, 183, 1, 64, 0, 0, 0, 64, 56, 0, 64, 0, 0)
    )
    return head + _program(chance, 250_000)


def _settings(chance: random.Random, number: int) -> bytes:
    return f"[bed {number}]\npin = {chance.randrange(40)}\ndry_below = {chance.uniform(20, 35):.1f}\n".encode()


def _readings(chance: random.Random, day: int) -> bytes:
    at = _FIRST_DAY + timedelta(day)
    lines = (
        f"{at + timedelta(minutes=minute):%FT%TZ},{chance.gauss(19, 4):.2f},{chance.gauss(60, 9):.1f},{bed}\n"
        for minute in range(0, 1440, 5)
        for bed in range(4)
    )
    return ("time,warmth,damp,bed\n" + "".join(lines)).encode()


def _log(chance: random.Random, day: int) -> bytes:
    at = _FIRST_DAY + timedelta(day)
    did = ("stored a batch", "opened the vent", "closed the vent", "watered a bed", "asked the sensors again")
    lines = (
        f"{at + timedelta(seconds=minute * 60 + chance.randrange(60)):%FT%TZ} gatherer: {chance.choice(did)}\n"
        for minute in range(1440)
    )
    return "".join(lines).encode()


def _add_rows(path: Path, chance: random.Random, first: int, count: int) -> None:
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("create table if not exists reading (id integer primary key, bed integer, warmth real)")
        rows = ((first + n, n % 40, round(chance.gauss(19, 4), 2)) for n in range(count))
        database.executemany("insert into reading values (?, ?, ?)", rows)
