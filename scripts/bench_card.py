"""Builds the card that `scripts/bench` measures on, and the same card one and two days later. Needs root.

The card is a 16 GiB sparse file: an MBR, a FAT32 boot partition of 256 MiB, and an ext4 root that holds a Debian
system installed from the machine's own package sources, a measurement database, logs, and pictures (random bytes, as
hard to compress as pictures are) up to 3 GiB in use. Its free space is a hole, as on a card that was new or trimmed:
what is measured against it (reading the whole card) is as fast as it can be. The days after are made by mounting a copy
and changing it as a board does: database inserts, logs, 80 MiB of upgraded files, new package lists.
"""

from __future__ import annotations

import gzip
import random
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from bench_cache import built

MIB = 1 << 20
CARD_BYTES = 16 << 30
BOOT_START = 4 * MIB
BOOT_BYTES = 256 * MIB
ROOT_START = BOOT_START + BOOT_BYTES
ROOT_BYTES = CARD_BYTES - ROOT_START
IN_USE = 3 << 30
UPGRADE_BYTES = 80 * MIB

# A new number makes a new card; raise it with any change to what is built.
RECIPE = 2

PACKAGES = (
    "systemd-sysv udev dbus linux-image-amd64 e2fsprogs dosfstools openssh-server cifs-utils samba chrony "
    "build-essential git vim-nox python3-dev python3-venv python3-numpy python3-pil nodejs sqlite3 nginx-light "
    "mosquitto man-db manpages-dev fonts-noto-core fonts-dejavu"
)
_SENSORS = 40
_ROWS = 2_000_000
_ROWS_A_DAY = 100_000
_LINES_A_DAY = 86_400


def build(cache: Path, days: int) -> list[Path]:
    """The card, and the card of each of the `days - 1` days after; from the cache if they stand there whole.

    Raises CalledProcessError, OSError.
    """
    cards: list[Path] = []
    for day in range(days):
        make = partial(_next_day, before=cards[-1], day=day) if cards else _first_day
        cards.append(built(cache / f"card-{RECIPE}-day{day + 1}.img", make))
    return cards


def _first_day(card: Path) -> None:
    tree = card.with_suffix(".tree")
    if tree.exists():
        shutil.rmtree(tree)
    try:
        _debian(tree)
        _invented_data(tree)
        _write_card(card, tree)
    finally:
        shutil.rmtree(tree, ignore_errors=True)


def _debian(tree: Path) -> None:
    release = dict(line.split("=", 1) for line in Path("/etc/os-release").read_text().splitlines() if "=" in line)
    suite = release["VERSION_CODENAME"].strip('"')
    include = ",".join(PACKAGES.split())
    # The package lists stay: the day's changes renew them.
    keep = ("--skip=cleanup/apt/lists", "--variant=apt", "--mode=root", "--format=directory")
    _run("mmdebstrap", "--quiet", *keep, f"--include={include}", suite, str(tree))


def _invented_data(tree: Path) -> None:
    chance = random.Random(RECIPE)
    logs = tree / "var/log/board"
    logs.mkdir(parents=True)
    for age in range(12):
        text = "".join(_log_lines(chance, _LINES_A_DAY, day=40 - age)).encode()
        if age < 3:
            (logs / f"board.log{'.' + str(age) if age else ''}").write_bytes(text)
        else:
            (logs / f"board.log.{age}.gz").write_bytes(gzip.compress(text, 6, mtime=0))
    folder = tree / "var/lib/readings"
    folder.mkdir(parents=True)
    with _database(folder / "readings.sqlite") as database:
        database.execute(
            "create table reading (id integer primary key, sensor integer, at integer, value real, note text)"
        )
        database.execute("create table latest (sensor integer primary key, at integer, value real)")
        database.executemany(
            "insert into reading (sensor, at, value, note) values (?, ?, ?, ?)", _rows(chance, 0, _ROWS)
        )
        database.execute("create index by_sensor on reading (sensor, at)")
        database.executemany("insert into latest values (?, 0, 0)", ((sensor,) for sensor in range(_SENSORS)))
        database.commit()
    pictures = tree / "srv/pictures"
    pictures.mkdir(parents=True)
    missing = IN_USE - _bytes_used(tree)
    number = 0
    while missing > 0:
        size = chance.randrange(MIB, 5 * MIB)
        (pictures / f"{number:05}.jpg").write_bytes(chance.randbytes(size))
        missing -= size
        number += 1


def _write_card(card: Path, tree: Path) -> None:
    with card.open("wb") as file:
        file.truncate(CARD_BYTES)
    table = (
        "label: dos\nlabel-id: 0xb0a2d001\nunit: sectors\n"
        f"start={BOOT_START // 512}, size={BOOT_BYTES // 512}, type=c, bootable\n"
        f"start={ROOT_START // 512}, size={ROOT_BYTES // 512}, type=83\n"
    )
    _run("sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", str(card), stdin=table)
    # Without -s 2 a volume of 256 MiB has too few clusters for FAT32.
    fat = ("mkfs.vfat", "-F", "32", "-s", "2", "-n", "BOOT", f"--offset={BOOT_START // 512}")
    _run(*fat, str(card), str(BOOT_BYTES // 1024))
    boot_files = [str(path) for path in sorted((tree / "boot").iterdir()) if path.is_file()]
    _run("mcopy", "-i", f"{card}@@{BOOT_START}", *boot_files, "::/")
    # The tables are written now: a used card has the kernel's writing them in the background long behind it.
    extended = f"offset={ROOT_START},root_owner=0:0,lazy_itable_init=0,lazy_journal_init=0"
    _run(
        "mke2fs", "-q", "-t", "ext4", "-L", "root", "-d", str(tree), "-E", extended, str(card), f"{ROOT_BYTES // 1024}k"
    )


def _next_day(card: Path, before: Path, day: int) -> None:
    _run("cp", "--reflink=auto", "--sparse=always", str(before), str(card))
    mount_point = card.with_suffix(".mnt")
    mount_point.mkdir(exist_ok=True)
    with mounted_root(card, mount_point):
        _one_day(mount_point, day)
    mount_point.rmdir()
    _run("e2fsck", "-fn", f"{card}?offset={ROOT_START}")


def _one_day(root: Path, day: int) -> None:
    """One day of a board that measures, logs, and was upgraded in the night."""
    chance = random.Random(RECIPE + day)
    first = _ROWS + (day - 1) * _ROWS_A_DAY
    with _database(root / "var/lib/readings/readings.sqlite") as database:
        for start in range(first, first + _ROWS_A_DAY, 2_000):
            rows = list(_rows(chance, start, 2_000))
            database.executemany("insert into reading (sensor, at, value, note) values (?, ?, ?, ?)", rows)
            database.executemany(
                "update latest set at = ?, value = ? where sensor = ?", [(r[1], r[2], r[0]) for r in rows]
            )
            database.commit()
    with (root / "var/log/board/board.log").open("a") as log:
        log.writelines(_log_lines(chance, _LINES_A_DAY, day=40 + day))
    _upgrade(root, chance)
    for path in sorted((root / "var/lib/apt/lists").glob("*Packages")):
        replace(path, path.read_bytes().replace(b"Version: 1.", b"Version: 1.%d+" % day))


def _upgrade(root: Path, chance: random.Random) -> None:
    """Replaces about 80 MiB of installed files, whole packages at a time, as the package system does."""
    lists = sorted((root / "var/lib/dpkg/info").glob("*.list"))
    chance.shuffle(lists)
    replaced = 0
    for listed in lists:
        for name in listed.read_text().splitlines():
            path = root / name.lstrip("/")
            if (
                not name.startswith("/usr/")
                or path.is_symlink()
                or not path.is_file()
                or path.stat().st_size > 24 * MIB
            ):
                continue
            content = altered(path.read_bytes(), chance)
            replace(path, content)
            replaced += len(content)
        if replaced >= UPGRADE_BYTES:
            return


def altered(content: bytes, chance: random.Random) -> bytes:
    """With something new in every 2 KiB: no old segment can be found again, and it compresses about as before."""
    made = bytearray(content)
    for at in range(0, len(made), 2048):
        made[at : at + 8] = chance.randbytes(min(8, len(made) - at))
    return bytes(made)


def replace(path: Path, content: bytes) -> None:
    """Gives the name to a new file, as the package system does."""
    new = path.with_name(path.name + ".new")
    new.write_bytes(content)
    new.rename(path)


def _rows(chance: random.Random, start: int, count: int) -> Iterator[tuple[int, int, float, str]]:
    notes = ("", "", "", "door open", "pump running", "filter was cleaned, next time in four weeks")
    for i in range(start, start + count):
        yield i % _SENSORS, 1_700_000_000 + i, round(chance.gauss(21, 4), 3), chance.choice(notes)


def _log_lines(chance: random.Random, count: int, day: int) -> Iterator[str]:
    verbs = ("accepted reading", "stored batch", "wrote report", "retrying connection", "value out of range")
    for i in range(count):
        clock = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(1_700_000_000 + day * 86_400 + i))
        where = f"sensor={chance.randrange(_SENSORS)} value={chance.gauss(21, 4):.3f} took={chance.randrange(900)}ms"
        yield f"{clock} board measured[{400 + i % 7}]: {chance.choice(verbs)} {where}\n"


def _bytes_used(tree: Path) -> int:
    return int(_run("du", "-s", "--block-size=1", str(tree)).split()[0])


@contextmanager
def _database(path: Path) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(path)
    try:
        yield connection
    finally:
        connection.close()


@contextmanager
def mounted_root(card: Path, mount_point: Path) -> Iterator[None]:
    """The card's root at `mount_point`, a folder, for as long as the block lasts."""
    window = ("--offset", str(ROOT_START), "--sizelimit", str(ROOT_BYTES))
    device = _run("losetup", "--find", "--show", *window, str(card)).strip()
    try:
        _run("mount", "-t", "ext4", device, str(mount_point))
        try:
            yield
        finally:
            _run("umount", str(mount_point))
    finally:
        _run("losetup", "--detach", device)


def _run(*command: str, stdin: str = "") -> str:
    done = subprocess.run(command, input=stdin, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout
