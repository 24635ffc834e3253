"""The one tree of errors. Each says what happened, what to do now, and with which code the program ends."""

from __future__ import annotations

import errno
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of the program; README.md prints the same table."""

    DONE = 0
    FAILED = 1
    USAGE = 2
    REFUSED = 3
    WARNINGS = 4
    DAMAGE = 5
    BUSY = 6
    PARTIAL = 7
    STALLED = 8
    POSTPONED = 9
    PROGRAM_ERROR = 70
    INTERRUPTED = 130
    TERMINATED = 143


# Where several apply to one run, the first of these is the one that the run ends with.
_WORST_FIRST = (
    Exit.PROGRAM_ERROR,
    Exit.STALLED,
    Exit.DAMAGE,
    Exit.PARTIAL,
    Exit.FAILED,
    Exit.USAGE,
    Exit.BUSY,
    Exit.REFUSED,
    Exit.POSTPONED,
    Exit.WARNINGS,
    Exit.DONE,
)


def worst(codes: list[Exit]) -> Exit:
    """The code to end with when the steps of one run ended with `codes` (none means done)."""
    return min(codes, key=_WORST_FIRST.index, default=Exit.DONE)


class BackupctlError(Exception):
    """Something that a person has to be told.

    `cause` says what happened and to what; `hint` says what to do now (may be empty).
    """

    exit_code = Exit.FAILED

    def __init__(self, cause: str, hint: str = "") -> None:
        super().__init__(cause)
        self.cause = cause
        self.hint = hint


class UsageError(BackupctlError):
    """Wrong arguments, or a policy that cannot be used."""

    exit_code = Exit.USAGE


class Refused(BackupctlError):
    """A safety check said no; nothing was written."""

    exit_code = Exit.REFUSED


class InUse(Refused):
    """The device is mounted, or otherwise in use."""


class Busy(BackupctlError):
    """Another run holds the board."""

    exit_code = Exit.BUSY


class NoRoom(BackupctlError):
    """The share is full."""


class Postponed(BackupctlError):
    """Now is not the time; a later run may do it."""

    exit_code = Exit.POSTPONED


class Damaged(BackupctlError):
    """What stands on the share is not what was written."""

    exit_code = Exit.DAMAGE


class NotFound(UsageError):
    """No capture, board or share by that name."""


class Malformed(BackupctlError):
    """Bytes that do not follow their format.

    Names the structure, the byte offset, what was expected and what was found; used by every parser in `formats`.
    """

    exit_code = Exit.DAMAGE

    def __init__(self, structure: str, offset: int, expected: str, found: str) -> None:
        super().__init__(f"{structure} at byte {offset}: expected {expected}, found {found}")
        self.structure = structure
        self.offset = offset


class Interrupted(BackupctlError):
    """The run was asked to stop (`terminated`: by SIGTERM, otherwise by ctrl-C) and stopped cleanly."""

    exit_code = Exit.INTERRUPTED

    def __init__(self, terminated: bool) -> None:
        super().__init__("stopped on request", "What stood on the share before is as it was.")
        self.exit_code = Exit.TERMINATED if terminated else Exit.INTERRUPTED


# errno(3), and those that a network file system gives when its server has gone.
_HINTS = {
    **dict.fromkeys((errno.EACCES, errno.EPERM), "This user may not. Run the command as root, or as who may."),
    **dict.fromkeys((errno.ENOSPC, errno.EDQUOT), "Make room there, and run the command again."),
    errno.ENOTDIR: "That is a file, where a folder was expected. Is the path right?",
    errno.EROFS: "It is mounted for reading only.",
    errno.EIO: "A disk or the network has failed. Look at what the system says (dmesg), and run the command again.",
    **dict.fromkeys(
        (errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ECONNABORTED, errno.ENOTCONN, errno.ETIMEDOUT, errno.ESTALE),
        "The server of the share does not answer. Run the command again when it does.",
    ),
}


def of_system(error: OSError | BackupctlError) -> BackupctlError:
    """What the system would not do, for somebody who does not know what was asked of it; an error of ours as it is."""
    if isinstance(error, BackupctlError):
        return error
    said = error.strerror or str(error)
    where = error.filename.decode(errors="replace") if isinstance(error.filename, bytes) else error.filename
    return BackupctlError(f"{where}: {said}" if where else said, _HINTS.get(error.errno or 0, ""))
