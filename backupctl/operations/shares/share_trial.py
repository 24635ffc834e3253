"""A share mounted beside the others, read-only: whether that works, and what is there, before a table names it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from backupctl.board.abandonable import within
from backupctl.board.config_file import write_config
from backupctl.board.mounting import Mounting, mounted_aside
from backupctl.domain.errors import Refused, UsageError
from backupctl.formats.fstab import Entry
from backupctl.operations.shares.share_apply import Account
from backupctl.operations.shares.share_plan import credentials_text

ANSWER_SECONDS = 60.0
# What only the tables need (mount(8), "Filesystem-independent mount options"; systemd.mount(5), "FSTAB").
_OF_TABLES = {"nofail", "_netdev", "auto", "noauto", "user", "users", "owner", "group", "defaults", "rw"}
_PASSWORDS = ("pass", "password", "password2")  # mount.cifs(8); password2 is newer

# What a number of mount.cifs(8) most often means (errno(3), x86 and ARM); common practice, no source.
_MEANINGS = {
    2: "Is the share's name right, and the folder in it? The server has none of that name.",
    6: "Is the share's name right, and the folder in it? The server has none of that name.",
    13: "Are the account and its password right, and may that account use this share?",
    95: "Does the server speak SMB 3? Older ones are not used.",
    101: "Is this board on the network?",
    111: "Is that the NAS, and is SMB switched on there? Nothing answers to SMB at that address.",
    112: "Is the NAS on, and is its name right?",
    113: "Is the NAS on, and is its name right?",
    115: "Is the NAS on, and is its name right?",
}


def credentials_of(entry: Entry) -> str | None:
    """The path of the credentials file that an entry names."""
    given = dict(option.partition("=")[::2] for option in entry.options)
    return given.get("credentials", given.get("cred"))


def has_password(entry: Entry) -> bool:
    """Whether its options hold one: by its name, or behind the user's (`user=mill%secret`, mount.cifs(8))."""
    given = [option.partition("=")[::2] for option in entry.options]
    return any(value if name in _PASSWORDS else "%" in value and name in ("user", "username") for name, value in given)


@contextmanager
def trial_options(entry: Entry, account: Account | None, root: Path) -> Iterator[list[str]]:
    """The same options, read-only, and with that account if there is one. Raises Refused, UsageError."""
    if has_password(entry):
        raise Refused(
            f"the password for {entry.mount_point} stands in the table, where everybody can read it",
            "Put it into a file first: `backupctl share plan` does that.",
        )
    path = credentials_of(entry)
    options = [
        option
        for option in entry.options
        if option not in _OF_TABLES and not option.startswith(("x-", "credentials=", "cred=", "comment="))
    ]
    if account is not None and path is None:
        raise UsageError("there is no credentials file that could be rewritten", "Leave out --user.")
    with TemporaryDirectory(prefix="backupctl-account-") as folder:
        if account is not None:
            file = Path(folder) / "credentials"
            write_config(file, credentials_text(account.user, account.password).encode(), 0o600)
            options.append(f"credentials={file}")
        elif path is not None:
            options.append(f"credentials={root / path.lstrip('/')}")
        yield [*options, "ro"]


def look_aside(
    entry: Entry,
    account: Account | None,
    root: Path,
    look: Callable[[Path], Any],
    mounting: Mounting = mounted_aside,
) -> Any:
    """What `look`, in a child, sees in a folder where the share of `entry` is mounted for as long as that takes.

    Raises Refused where it cannot be mounted, with what that most often means; Stalled, and what `look` raises.
    """
    with trial_options(entry, account, root) as options:
        try:
            with mounting(entry.source, entry.fstype, options) as folder:
                return within(ANSWER_SECONDS, entry.source, lambda: look(folder))
        except Refused as error:
            raise Refused(error.cause, f"{meaning_of(error.cause)} Nothing was written.".strip()) from None


def meaning_of(said: str) -> str:
    """What to look at, by what mount(8) has said; empty where that is not known."""
    number = re.search(r"mount error\((\d+)\)", said)
    if number and int(number[1]) in _MEANINGS:
        return _MEANINGS[int(number[1])]
    if "could not resolve address" in said:
        return "Is the server's name right? Nobody on this network knows it; its address will do as well."
    if "can't find in" in said:
        return "No table names it: `backupctl share plan` writes a line for it, and so does `begin` without --share."
    return ""
