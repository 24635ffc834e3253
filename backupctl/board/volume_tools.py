"""Making empty file systems in files, by the programs that systems come with.

Options: mke2fs(8), mkfs.fat(8), mkswap(8), mkfs.btrfs(8), btrfs-subvolume(8), mkfs.f2fs(8), mkfs.xfs(8), mcopy(1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from backupctl.board.process import ProgramFailed, find_program, run
from backupctl.domain.errors import BackupctlError, Refused

_SECONDS = 3600.0
_PROGRAMS = {
    "ext2": ("mke2fs", "e2fsprogs"),
    "ext3": ("mke2fs", "e2fsprogs"),
    "ext4": ("mke2fs", "e2fsprogs"),
    "fat12": ("mkfs.fat", "dosfstools"),
    "fat16": ("mkfs.fat", "dosfstools"),
    "fat32": ("mkfs.fat", "dosfstools"),
    "swap": ("mkswap", "util-linux"),
    "btrfs": ("mkfs.btrfs", "btrfs-progs"),
    "f2fs": ("mkfs.f2fs", "f2fs-tools"),
    "xfs": ("mkfs.xfs", "xfsprogs"),
}
MAKEABLE = frozenset(_PROGRAMS)
_NEW_FEATURES = frozenset({"orphan_file", "metadata_csum_seed", "fast_commit", "stable_inodes"})  # since 1.46 and 1.47


@dataclass(frozen=True)
class Making:
    """An empty file system. Sizes in bytes; 0 and empty: as its program thinks best."""

    kind: str  # one of MAKEABLE
    label: str = ""
    identity: str = ""  # UUID, or `ABCD-1234` of a FAT
    features: tuple[str, ...] = ()  # of ext, all of them
    block_size: int = 0
    cluster_size: int = 0
    inode_size: int = 0
    inodes: int = 0  # at the least
    reserved_percent: float = 5.0
    sector_size: int = 0
    reserved_sectors: int = 0
    tables: int = 0
    root_entries: int = 0


def need_programs(kinds: Sequence[str]) -> None:
    """Raises Refused if one is missing for these kinds of file system."""
    needed = [_PROGRAMS[kind] for kind in kinds]
    needed += [("mcopy", "mtools")] if any(kind.startswith("fat") for kind in kinds) else []
    missing = {program: package for program, package in needed if find_program(program) is None}
    if missing:
        raise Refused(
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed",
            f"Nothing was written. On Debian, as root: apt install {' '.join(dict.fromkeys(missing.values()))}",
        )


def make_volume(path: Path, making: Making) -> tuple[str, ...]:
    """Makes it in a file of zeros, over all of it; in words what is other than it was said. Raises BackupctlError."""
    try:
        run([*_command(making), path], _SECONDS)
    except ProgramFailed as error:
        known = tuple(name for name in making.features if name not in _NEW_FEATURES)
        if known == making.features:
            raise BackupctlError(f"no {making.kind} could be made: {error.cause}", "Nothing was written.") from None
        make_volume(path, replace(making, features=known))
        left = ", ".join(sorted(set(making.features) - set(known)))
        return (f"the new {making.kind} is made without {left}, which this machine's mke2fs does not know",)
    return ()


def make_subvolume(folder: Path) -> None:
    """On a mounted btrfs; in place of an empty folder, if there is one. Raises BackupctlError, OSError."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    if folder.exists():
        folder.rmdir()
    run(["btrfs", "subvolume", "create", folder], _SECONDS)


def use_by_default(subvolume: Path) -> None:
    """Has a btrfs show this one where it is mounted without naming any. Raises BackupctlError."""
    run(["btrfs", "subvolume", "set-default", subvolume], _SECONDS)


def _command(making: Making) -> list[str]:
    if making.kind.startswith("ext"):
        return _ext(making)
    if making.kind.startswith("fat"):
        return _fat(making)
    uuid = [making.identity] if making.identity else []
    label = [making.label] if making.label else []
    match making.kind:
        case "swap":
            return ["mkswap", *_each("-U", uuid), *_each("-L", label)]
        case "btrfs":
            return ["mkfs.btrfs", "-q", "-f", "-K", *_each("-U", uuid), *_each("-L", label)]
        case "f2fs":
            return ["mkfs.f2fs", "-q", "-f", "-t", "0", *_each("-U", uuid), *_each("-l", label)]
        case _:
            return ["mkfs.xfs", "-q", "-f", "-K", *_each("-m", [f"uuid={each}" for each in uuid]), *_each("-L", label)]


def _ext(making: Making) -> list[str]:
    # What is written lazily would be written while files are; a file of zeros has all of it already.
    command = ["mke2fs", "-q", "-F", "-t", making.kind, "-E", "lazy_itable_init=1,nodiscard,root_owner=0:0"]
    command += ["-m", f"{making.reserved_percent:g}"]
    numbers = {"-b": making.block_size, "-C": making.cluster_size, "-I": making.inode_size, "-N": making.inodes}
    command += [word for option, value in numbers.items() if value for word in (option, str(value))]
    command += ["-O", ",".join(("none", *making.features))] if making.features else []
    command += _each("-U", [making.identity] if making.identity else [])
    return [*command, *_each("-L", [making.label] if making.label else [])]


def _fat(making: Making) -> list[str]:
    numbers = {
        "-S": making.sector_size,
        "-s": making.cluster_size // making.sector_size if making.sector_size else 0,
        "-R": making.reserved_sectors,
        "-f": making.tables,
        "-r": making.root_entries,
    }
    command = ["mkfs.fat", "-F", making.kind.removeprefix("fat")]
    command += [word for option, value in numbers.items() if value for word in (option, str(value))]
    command += _each("-i", [making.identity.replace("-", "")] if making.identity else [])
    return [*command, *_each("-n", [making.label] if making.label else [])]


def _each(option: str, values: list[str]) -> list[str]:
    return [word for value in values for word in (option, value)]


def copy_into_fat(folder: Path, image: Path) -> None:
    """All that is in `folder` into the FAT in `image`, times in UTC, as Linux takes them. Raises BackupctlError."""
    entries = sorted(folder.iterdir())
    if entries:
        environment = {"LC_ALL": "C.UTF-8", "TZ": "UTC", "MTOOLS_SKIP_CHECK": "1"}
        run(["mcopy", "-s", "-m", "-Q", "-i", image, *entries, "::"], _SECONDS, environment=environment)
