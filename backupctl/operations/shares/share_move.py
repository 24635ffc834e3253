"""The share on another server: the tables are only rewritten if it is the same share that is found there."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from backupctl.board import mount_tables
from backupctl.board.abandonable import Stalled, within
from backupctl.board.config_file import keep_copy, write_config
from backupctl.board.mount_tables import Listed, network_entries, read_fstab
from backupctl.board.mounting import Mounting, mounted_aside
from backupctl.domain.errors import BackupctlError, NotFound, Refused, UsageError
from backupctl.formats.fstab import Entry, same_place, with_entry
from backupctl.formats.systemd_unit import with_setting
from backupctl.operations.progress import Reporter
from backupctl.operations.shares.share_apply import Account, refuse_unless_writable, take_up, write_credentials
from backupctl.operations.shares.share_check import mounted_share
from backupctl.operations.shares.share_identity import Identity, identity_at, remembered
from backupctl.operations.shares.share_plan import NFS, SMB, share_source
from backupctl.operations.shares.share_trial import ANSWER_SECONDS, credentials_of, trial_options


@dataclass(frozen=True)
class MoveWish:
    """Where the share is now. Without a path, it is the same as before; without an account, too.

    `mount` says which of several is meant.
    """

    server: str
    path: str | None = None
    mount: str | None = None
    account: Account | None = None
    yes: bool = False
    dry_run: bool = False


def move_share(
    wish: MoveWish, state_folder: Path, reporter: Reporter, root: Path = Path("/"), mounting: Mounting = mounted_aside
) -> dict[str, Any]:
    """What was found and done. `root` as in `mount_tables`.

    Raises Refused, NotFound, UsageError, OSError; then nothing is changed.
    """
    refuse_unless_writable(root)
    listed = _which(wish.mount, root)
    old, new = listed.entry, replace(listed.entry, source=_new_source(listed.entry, wish))
    if new.source == old.source and wish.account is None:
        raise UsageError(f"{old.mount_point} is mounted from {old.source} already", "There is nothing to move.")
    text = _rewritten(listed, new, root)  # before anything is tried: it may not be possible
    expected = _expected(old.mount_point, state_folder, root)
    with trial_options(old, wish.account, root) as options, mounting(new.source, new.fstype, options) as folder:
        _compare(new, expected, folder)
    result = {
        "mount": old.mount_point,
        "from": old.source,
        "to": new.source,
        "place": listed.place,
        "found": [str(identity) for identity in expected.values()],
        "moved": False,
        "kept": None,
        "notes": [],
    }
    if wish.dry_run:
        return result
    if not wish.yes and not reporter.ask(
        f"{new.source} is the same share. {listed.place}, is rewritten. Type yes to do that:", "yes"
    ):
        raise Refused("the share was not moved", "In a script, say --yes.")
    path = credentials_of(old)
    if wish.account and path:
        write_credentials(path, wish.account, root)
    if listed.line:
        kept = mount_tables.replace_fstab(root, text)
    else:
        kept = keep_copy(listed.file)
        write_config(listed.file, os.fsencode(text), 0o644, like=listed.file)
    notes = take_up(old.mount_point, root)
    return {**result, "moved": True, "kept": str(kept), "notes": notes}


def _which(mount: str | None, root: Path) -> Listed:
    listed = network_entries(root)
    found = [each for each in listed if mount is None or same_place(each.entry.mount_point, mount)]
    if not found:
        raise NotFound(
            f"neither fstab nor a unit names a network share{f' at {mount}' if mount else ''}",
            "`backupctl share plan` writes one.",
        )
    if len(found) > 1:
        named = "; ".join(f"{each.entry.mount_point} ({each.place})" for each in found)
        raise UsageError(f"which one? {named}", "Say --mount DIR; and leave one of two for the same place.")
    return found[0]


def _new_source(old: Entry, wish: MoveWish) -> str:
    if old.fstype in ("cifs", "smb3"):
        return share_source(SMB, wish.server, wish.path or old.source.replace("\\", "/").strip("/").partition("/")[2])
    if old.fstype in ("nfs", "nfs4"):
        return share_source(NFS, wish.server, wish.path or old.source.partition(":")[2])
    raise Refused(f"{old.mount_point} is {old.fstype}, neither SMB nor NFS", "Change its line by hand.")


def _rewritten(listed: Listed, new: Entry, root: Path) -> str:
    """The text of the table with the new source; of fstab, one that findmnt has nothing against."""
    if listed.line is None:
        return with_setting(os.fsdecode(listed.file.read_bytes()), "Mount", "What", new.source)
    text = with_entry(read_fstab(root), new)
    mount_tables.verify_fstab(root, text)
    return text


def _expected(mount_point: str, state_folder: Path, root: Path) -> dict[str, Identity]:
    """What this machine knows to be there, by the path from the mount point on; else what is there now."""
    known = {
        os.path.relpath(folder, mount_point): identity
        for folder, identity in remembered(state_folder).items()
        if Path(folder).is_relative_to(mount_point)
    }
    if not known and mounted_share(mount_point, root):
        try:
            known = _identities(Path(mount_point), ["."])
        except (BackupctlError, OSError):
            pass  # the old server is gone, perhaps; then nobody knows
    if not known:
        raise Refused(
            f"this machine does not know which share was at {mount_point}",
            "Mount the old one once and say `backupctl share adopt`; or use `backupctl share plan` for the new place.",
        )
    return known


def _identities(folder: Path, within_it: Sequence[str]) -> dict[str, Identity]:
    """By a process of its own, which may hang. Raises Stalled, OSError, BackupctlError."""

    def look() -> dict[str, list[str | None]]:
        found = {relative: identity_at(folder / relative) for relative in within_it}
        return {relative: [identity.id, identity.board] for relative, identity in found.items() if identity}

    told = within(ANSWER_SECONDS, str(folder), look)
    return {relative: Identity(*fields) for relative, fields in told.items()}


def _compare(new: Entry, expected: dict[str, Identity], folder: Path) -> None:
    try:
        found = _identities(folder, list(expected))
    except Stalled:
        raise
    except (BackupctlError, OSError) as error:
        raise Refused(f"{new.source} is no share that can be read: {error}", "Nothing was changed.") from error
    for relative, identity in expected.items():
        if found.get(relative) != identity:
            where = new.source if relative == "." else f"{new.source}/{relative}"
            raise Refused(
                f"{where} is {found.get(relative) or 'no share'}, and {identity} was expected",
                "Nothing was changed. Copy the whole share to the new place first, its mark (share.json) included.",
            )
