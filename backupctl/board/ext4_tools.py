"""What is done to an ext2, ext3 or ext4 file system in a file, by the programs of e2fsprogs.

Exit codes: e2fsck(8), resize2fs(8), tune2fs(8).
"""

from __future__ import annotations

import re
from pathlib import Path

from backupctl.board.process import ProgramFailed, find_program, run
from backupctl.domain.errors import BackupctlError, Refused

PROGRAMS = ("e2fsck", "resize2fs", "tune2fs", "debugfs")
_DEADLINE_SECONDS = 6 * 3600.0  # a file system of terabytes on a slow disk
_ERRORS_CORRECTED = 1


def need_programs() -> None:
    """Raises Refused if one is missing."""
    missing = [name for name in PROGRAMS if find_program(name) is None]
    if missing:
        raise Refused(
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed",
            "Nothing was written. On Debian, as root: apt install e2fsprogs",
        )


def make_clean(path: Path, name: str) -> None:
    """Checks all of it, and mends what is safe to mend by itself. Raises Refused if a person has to judge."""
    try:
        run(("e2fsck", "-f", "-p", path), _DEADLINE_SECONDS, success=(0, _ERRORS_CORRECTED))
    except ProgramFailed as error:
        raise Refused(
            f"{name} has errors that a person has to judge, so that it cannot be changed: {error.cause}",
            "Nothing was written. Restore it as it is, onto a card that is as large, and run e2fsck there; or choose "
            "another capture.",
        ) from None


def judge(path: Path, name: str) -> None:
    """Raises BackupctlError unless e2fsck, which changes nothing then, finds nothing."""
    try:
        run(("e2fsck", "-f", "-n", path), _DEADLINE_SECONDS)
    except ProgramFailed as error:
        raise BackupctlError(
            f"{name} was changed, and does not pass its check any more: {error.cause}",
            "Nothing was written to the card. Restore it unchanged, and tell the makers of this program.",
        ) from None


def smallest(path: Path) -> int:
    """To how many blocks `resize2fs` thinks that it can be shrunk."""
    said = run(("resize2fs", "-P", path), _DEADLINE_SECONDS).text
    found = re.search(r"minimum size of the filesystem: (\d+)", said)
    if found is None:
        raise BackupctlError(f"resize2fs said no smallest size, but: {said.strip()[-200:]}")
    return int(found[1])


def resize(path: Path, blocks: int) -> None:
    """Raises BackupctlError. `path` must have room for so many blocks of the file system."""
    run(("resize2fs", path, str(blocks)), _DEADLINE_SECONDS)


def set_uuid(path: Path, uuid: str) -> None:
    """Gives it another UUID; it must just have been checked. Raises BackupctlError."""
    run(("tune2fs", "-U", uuid, path), _DEADLINE_SECONDS)


def change(path: Path, requests: list[str]) -> None:
    """Requests to debugfs(8), which ends with code 0 whatever becomes of them: look at the file system afterwards.

    Raises BackupctlError. Requests may hold no name that debugfs would take apart.
    """
    for request in requests:
        run(("debugfs", "-w", "-R", request, path), _DEADLINE_SECONDS)
