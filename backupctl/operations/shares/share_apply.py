"""Writing what `share plan` shows: the credentials first, then the table that names them; or nothing at all."""

from __future__ import annotations

import os
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.board import mount_tables
from backupctl.board.config_file import write_config
from backupctl.board.mounts import read_mounts
from backupctl.board.process import find_program
from backupctl.domain.errors import BackupctlError, Refused, UsageError
from backupctl.formats.fstab import Entry, lines_for, same_place, with_entry
from backupctl.formats.systemd_unit import unit_name
from backupctl.operations.shares.share_plan import SharePlan, credentials_text

HELPER_PACKAGES = {"cifs": "cifs-utils", "smb3": "cifs-utils", "nfs": "nfs-common", "nfs4": "nfs-common"}  # Debian's


@dataclass(frozen=True)
class Account:
    """What goes into a credentials file. Its password is in no result and no message."""

    user: str
    password: str

    def __repr__(self) -> str:
        return f"Account({self.user!r})"


def refuse_unless_writable(root: Path) -> None:
    """Raises Refused where this process cannot write to /etc, or it would not last."""
    if not os.access(root / "etc", os.W_OK):
        if os.geteuid() != 0:
            raise Refused("only root can write to /etc", "Run it again with sudo.")
        raise Refused("/etc cannot be written to", "If this system's root is read-only: mount -o remount,rw /")
    mount_tables.refuse_fleeting(root)


def replaced_line(plan: SharePlan, root: Path) -> int | None:
    """The number of the line of fstab that the plan's line takes the place of, if there is one. Raises OSError."""
    found = lines_for(mount_tables.read_fstab(root), plan.entry.mount_point)
    return found[0].number if found and not plan.units else None


def warnings_here(entry: Entry, root: Path) -> list[str]:
    """What this system lacks for mounting it."""
    if mount_tables.has_helper(entry.fstype, root):
        return []
    package = HELPER_PACKAGES.get(entry.fstype)
    return [
        f"mount.{entry.fstype} is not installed, and nothing can be mounted without it"
        + (f": apt install {package}" if package else "")
    ]


def apply_plan(plan: SharePlan, account: Account | None, root: Path = Path("/")) -> dict[str, Any]:
    """Writes it; what was done. `root` stands for /, except that mount points are always this machine's.

    Raises Refused, OSError, ProgramMissing and the like; then nothing was changed, unless a disk failed meanwhile.
    """
    refuse_unless_writable(root)
    if plan.credentials and account is None and not (root / plan.credentials.lstrip("/")).exists():
        raise UsageError("which password?", "Say --password-file FILE, or run this at a terminal, where it asks.")
    if plan.units and find_program("systemctl") is None:
        raise Refused("there is no systemctl here to enable a unit with", "Leave out --units: fstab does without.")
    _refuse_two_tables(plan, root)
    mounted = _is_mounted(plan.entry.mount_point, root)
    made = [] if mounted else _make_mount_point(Path(plan.entry.mount_point))
    try:
        text = None if plan.units else with_entry(mount_tables.read_fstab(root), plan.entry)
        if text is not None:
            mount_tables.verify_fstab(root, text)
    except BaseException:
        for folder in reversed(made):
            folder.rmdir()
        raise
    if plan.credentials and account:
        write_credentials(plan.credentials, account, root)
    kept = None
    if text is None:
        mount_tables.write_units(root, plan.units)
    elif text != mount_tables.read_fstab(root):
        kept = mount_tables.replace_fstab(root, text)
    return {"kept": str(kept) if kept else None, "notes": take_up(plan.entry.mount_point, root)}


def write_credentials(path: str, account: Account, root: Path) -> None:
    """Readable by root alone, before and after. Raises OSError, UsageError."""
    write_config(root / path.lstrip("/"), credentials_text(account.user, account.password).encode(), 0o600)


def _refuse_two_tables(plan: SharePlan, root: Path) -> None:
    # systemd.mount(5), "FSTAB": a unit in /etc is stronger than a line of fstab, which then means nothing.
    unit = mount_tables.units_folder(root) / unit_name(plan.entry.mount_point, "mount")
    lines = lines_for(mount_tables.read_fstab(root), plan.entry.mount_point)
    if plan.units and lines:
        raise Refused(
            f"/etc/fstab, line {lines[0].number}, is for {plan.entry.mount_point} as well",
            "Take that line out first, or leave out --units: then it is replaced.",
        )
    if not plan.units and unit.exists():
        raise Refused(
            f"{unit} is for {plan.entry.mount_point} as well, and stronger than a line of fstab",
            "Remove that unit and its .automount first, or use --units: then they are replaced.",
        )


def _is_mounted(mount_point: str, root: Path) -> bool:
    return any(same_place(mount.mount_point, mount_point) for mount in read_mounts(root))


def _make_mount_point(path: Path) -> list[Path]:
    """Makes the folder; all that were made for it, the outermost first. Raises Refused for a place that is taken."""
    if path.is_symlink() or (path.exists() and not path.is_dir()):
        raise Refused(f"{path} is no folder", "Choose another mount point: systemd does not mount on anything else.")
    if path.is_dir():
        if any(path.iterdir()):
            raise Refused(
                f"{path} is not mounted, and holds files, which would be hidden and go on taking room",
                "Look at them, and move them away; or choose another mount point.",
            )
        return []
    missing = [folder for folder in (*reversed(path.parents), path) if not folder.exists()]
    path.mkdir(parents=True)
    return missing


def take_up(mount_point: str, root: Path) -> list[str]:
    """Has the running system take up what was written; what is to be said of that."""
    if root != Path("/") or not mount_tables.systemd_runs(root):
        return ["It is taken up when this system starts again."]
    automount = unit_name(mount_point, "automount")
    change = f"umount {shlex.quote(mount_point)}; systemctl start {shlex.quote(automount)}"
    try:
        mount_tables.reload_units()
        if _is_mounted(mount_point, root):
            return [f"It is still mounted the way it was. To change over: {change}"]
        mount_tables.start_unit(automount)
    except BackupctlError as error:
        return [f"It is written, but systemd did not take it up: {error.cause}"]
    return []
