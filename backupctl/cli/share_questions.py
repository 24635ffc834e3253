"""What `share plan` and `share move` ask at a terminal, and how they come by a password: never as an argument."""

from __future__ import annotations

import getpass
import stat
import sys
from pathlib import Path

from backupctl.domain.errors import UsageError
from backupctl.operations.shares.share_plan import NFS

_PASSWORD_FILE_MOST = 4096


def refuse_contradictions(guest: bool, user: str | None, password_file: Path | None, protocol: str | None) -> None:
    """Raises UsageError for what was said of an account that is none."""
    if guest and (user is not None or password_file is not None):
        raise UsageError("a guest has no account", "Leave out --guest, or --user and --password-file.")
    if protocol == NFS and (user is not None or password_file is not None):
        raise UsageError("NFS has no accounts", "Leave out --user and --password-file, or use --protocol smb.")


def asked(given: str | None, option: str, question: str, default: str | None = None) -> str:
    """What was given, or else what somebody at the terminal says, or else the default. Raises UsageError."""
    if given is not None:
        return given
    if not sys.stdin.isatty():
        if default is not None:
            return default
        raise UsageError(f"{option} is missing", "Say it, or run this at a terminal, where it asks.")
    print(f"{question}{f' [{default}]' if default else ''}: ", end="", file=sys.stderr, flush=True)
    said = sys.stdin.readline()
    if not said:
        raise UsageError("the input ended before all was said")
    return said.strip() or default or ""


def password_of(user: str, server: str, file: Path | None) -> str | None:
    """From the file, else typed without being shown; None where there is neither a file nor a terminal."""
    if file is not None:
        return read_password(file)
    if not sys.stdin.isatty():
        return None
    try:
        return getpass.getpass(f"Password of {user} on {server} (not shown): ", sys.stderr)
    except EOFError:
        raise UsageError("the input ended before a password was given") from None


def read_password(file: Path) -> str:
    """The one line of a file. Raises UsageError, which does not tell what is in it."""
    try:
        with file.open("rb") as opened:
            text = opened.read(_PASSWORD_FILE_MOST + 1).decode()
    except (OSError, UnicodeDecodeError) as error:
        said = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
        raise UsageError(f"the password file {file} cannot be read: {said}") from None
    line = text.removesuffix("\n").removesuffix("\r")
    if len(text) > _PASSWORD_FILE_MOST or not line or "\n" in line:
        raise UsageError(f"the password file {file} does not hold one line", "Put the password there, alone.")
    return line


def warning_about(file: Path | None) -> list[str]:
    """Words about a password file that others can read."""
    if file is None or not file.is_file() or not stat.S_IMODE(file.stat().st_mode) & 0o077:
        return []
    return [f"{file} can be read by others on this machine: remove it, now that the password is where it belongs."]
