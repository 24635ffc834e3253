"""Whether the file systems of a rebuilt card are sound, by the judges that everybody has: their own checkers.

Each volume is a file of its own, which may be altered: what a checker clears is cleared in the scratch space only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from backupctl.board.process import Result, find_program, run
from backupctl.domain.card_map import CardVolume
from backupctl.domain.drill import Finding, Outcome
from backupctl.domain.errors import Refused

_SECONDS = 4 * 3600.0  # a large card on a small board
_LINES_SHOWN = 3

# Without these a drill would not say much; Debian's packages of them.
_NEEDED = {"ext": ("e2fsck", "e2fsprogs"), "fat": ("fsck.vfat", "dosfstools")}

# What e2fsck -p says of a sound file system: what it does to files that were open and deleted (without a journal
# there is no list of them, and none but an unmounted one is called clean), that a check is due, and its summary.
_PREENED = re.compile(
    r".*: (?:(?:Clearing|Truncating) orphaned inode \d+ .*|Setting free (?:inodes|blocks) count to \d+ .*"
    r"|(?:clean, )?\d+/\d+ files( \(.*\))?, \d+/\d+ blocks(?: \(check .*\))?)"
    r"|.* was not cleanly unmounted, check forced\.|.*: Deleted inode \d+ has zero dtime\.  FIXED\."
    r"|.*: Inode \d+ extent tree \(at level \d\) could be (?:narrower|shorter)\.  IGNORED\."
    r"|.* has (?:been mounted|gone) \d+ (?:times|days) without being checked, check forced\."
)
_ORPHAN = re.compile(r"(?:Clearing|Truncating) orphaned inode|Deleted inode \d+ has zero dtime")
_REPLAYED = re.compile(r".*: recovering journal")
# What fsck.vfat -n says of a sound file system that is mounted: its dirty flag, which the second boot sector has not.
_DIRTY_FAT = re.compile(
    r"fsck\.fat \d.*|There are differences between boot sector and its backup\."
    r"|This is mostly harmless\. Differences: \(offset:original/backup\)|  (?:37|65):01/00"
    r"|  Not automatically fixing this\.|(?:0x[0-9a-f]{2}: )?Dirty bit is set\. .*"
    r"|\s*Automatically removing dirty bit\.|Leaving filesystem unchanged\.|.*: \d+ files, \d+/\d+ clusters"
)


def need_checkers(kinds: Iterable[str]) -> None:
    """`kinds`: of the volumes that are to be checked. Raises Refused, with the packages, if a checker is missing."""
    wanted = [_NEEDED[family] for family in _NEEDED if any(kind.startswith(family) for kind in kinds)]
    missing = [(program, package) for program, package in wanted if find_program(program) is None]
    if missing:
        raise Refused(
            f"{' and '.join(program for program, _ in missing)} "
            f"{'is' if len(missing) == 1 else 'are'} not installed, without which a drill proves too little",
            f"On Debian, as root: apt install {' '.join(package for _, package in missing)}",
        )


def check_volume(volume: CardVolume, file: Path) -> Finding:
    """`file` holds the volume and nothing else, and may be altered. Raises BackupctlError if a checker cannot run."""
    kind = volume.map.kind
    name = f"partition {volume.partition.number} ({kind})" if volume.partition else f"the card ({kind})"
    if volume.left_out:
        return Finding(name, Outcome.NOT_CHECKED, "it was left out of the capture, and comes back empty", False)
    if kind.startswith("ext"):
        return _ext(name, file)
    if kind.startswith("fat"):
        return _fat(name, file)
    if kind == "swap":
        # A header that cannot be used is a warning of its reader.
        fault = volume.map.warnings and not volume.map.zero
        return Finding(name, Outcome.WARNING if fault else Outcome.WELL, "; ".join(volume.map.warnings) or "its header")
    checker = _OTHERS.get(kind)
    if checker is None:
        return Finding(name, Outcome.NOT_CHECKED, "nothing here checks what it holds", kind != "unknown")
    if find_program(checker[0]) is None:
        return Finding(name, Outcome.NOT_CHECKED, f"{checker[0]} is not installed")
    return _other(name, [*checker, str(file)])


def _ext(name: str, file: Path) -> Finding:
    preened = run(["e2fsck", "-p", file], _SECONDS, success=range(16))
    lines = _lines(preened)
    replayed = any(_REPLAYED.fullmatch(line) for line in lines)
    odd = [line for line in lines if not _PREENED.fullmatch(line) and not _REPLAYED.fullmatch(line)]
    if odd or preened.code not in (0, 1):
        return Finding(name, Outcome.WRONG, f"e2fsck -p: {_shown(odd or lines, file)}")
    checked = run(["e2fsck", "-fn", file], _SECONDS, success=range(16))
    if checked.code:
        return Finding(name, Outcome.WRONG, f"e2fsck -fn: {_shown(_lines(checked), file)}")
    orphans = sum(bool(_ORPHAN.search(line)) for line in lines)
    if replayed:
        said = "sound, once its journal is replayed, as the board does when it starts: the card was not unmounted"
        return Finding(name, Outcome.WARNING, said)
    return Finding(name, Outcome.WELL, f"sound, without {orphans} that were open and deleted" if orphans else "sound")


def _fat(name: str, file: Path) -> Finding:
    checked = run(["fsck.vfat", "-n", file], _SECONDS, success=range(256))
    lines = _lines(checked)
    odd = [line for line in lines if not _DIRTY_FAT.fullmatch(line)]
    if odd or checked.code not in (0, 1):
        return Finding(name, Outcome.WRONG, f"fsck.vfat -n: {_shown(odd or lines, file)}")
    return Finding(name, Outcome.WELL, "sound; marked as in use, which it was" if checked.code else "sound")


# Read-only, by their manuals: xfs_repair(8) of xfsprogs, btrfs-check(8), fsck.f2fs(8).
_OTHERS: dict[str, tuple[str, ...]] = {
    "xfs": ("xfs_repair", "-n", "-f"),
    "btrfs": ("btrfs", "check", "--readonly", "--force"),  # or it looks for the file's name in the mount table
    "f2fs": ("fsck.f2fs", "--dry-run"),
}


def _other(name: str, command: list[str]) -> Finding:
    checked = run(command, _SECONDS, success=range(256))
    lines = _lines(checked)
    # A frozen XFS has something in its log on purpose (xfs_freeze(8)), which is replayed when it is mounted.
    if command[0] == "xfs_repair" and any(line.startswith("ALERT: ") for line in lines):
        return Finding(name, Outcome.NOT_CHECKED, "its log would have to be replayed first, by mounting it")
    if checked.code:
        return Finding(name, Outcome.WRONG, f"{command[0]}: {_shown(lines, Path(command[-1]))}")
    return Finding(name, Outcome.WELL, f"sound, by {command[0]}")


def _lines(result: Result) -> list[str]:
    return [line for line in (result.text + result.stderr_tail).splitlines() if line.strip() and not _is_banner(line)]


def _is_banner(line: str) -> bool:
    return bool(
        re.fullmatch(r"e2fsck \d.*|(?:Pass|Phase) \d.*[:-] .*|Cannot get host .*|Repair may .*|the image .*", line)
    )


def _shown(lines: list[str], file: Path) -> str:
    said = "; ".join(line.strip().replace(f"{file}: ", "") for line in lines[:_LINES_SHOWN])
    more = f"; and {len(lines) - _LINES_SHOWN} lines more" if len(lines) > _LINES_SHOWN else ""
    return f"{said}{more}" or "it failed without a word"
