"""What this machine is told to mount: /etc/fstab, and mount units in /etc/systemd/system.

In each function `root` stands for /, so that another place for /etc can be given; mount points are always those of
the machine itself.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from backupctl.board.config_file import keep_copy, write_config
from backupctl.board.mounts import is_network_type, read_mounts
from backupctl.board.process import run
from backupctl.domain.errors import Refused
from backupctl.formats.fstab import Entry, Line, parse_fstab
from backupctl.formats.mountinfo import mount_of
from backupctl.formats.systemd_unit import parse_unit

_VERIFY_SECONDS = 30.0
_SYSTEMCTL_SECONDS = 60.0
# What is written there is gone after the next boot.
_FLEETING = {"overlay": "an overlay", "tmpfs": "in memory", "ramfs": "in memory", "rootfs": "in memory"}


@dataclass(frozen=True)
class Listed:
    """A network file system that is to be mounted, as one of the tables has it."""

    entry: Entry
    file: Path  # fstab, or a .mount unit
    line: Line | None  # of fstab
    automount: bool  # mounted when it is first used
    at_boot: bool  # mounted when the system starts

    @property
    def place(self) -> str:
        """Where it stands, in words."""
        return f"/etc/fstab, line {self.line.number}" if self.line else str(self.file)


def fstab_path(root: Path) -> Path:
    return root / "etc/fstab"


def units_folder(root: Path) -> Path:
    return root / "etc/systemd/system"


def read_fstab(root: Path) -> str:
    """The whole file, empty if there is none; bytes that are no UTF-8 are kept as surrogates. Raises OSError."""
    path = fstab_path(root)
    return os.fsdecode(path.read_bytes()) if path.exists() else ""


def network_entries(root: Path) -> list[Listed]:
    """Every network file system of both tables. Raises OSError."""
    listed = []
    for line in parse_fstab(read_fstab(root)):
        if line.entry and _is_network(line.entry):
            options = set(line.entry.options)
            automount = "x-systemd.automount" in options
            listed.append(Listed(line.entry, fstab_path(root), line, automount, "noauto" not in options))
    folder = units_folder(root)
    for path in sorted(folder.glob("*.mount")):
        entry = _entry_of_unit(path)
        if entry and _is_network(entry):
            automount = _is_enabled(folder, path.with_suffix(".automount").name)
            listed.append(Listed(entry, path, None, automount, _is_enabled(folder, path.name)))
    return listed


def _is_network(entry: Entry) -> bool:
    return is_network_type(entry.fstype) or entry.source.startswith("//")


def _entry_of_unit(path: Path) -> Entry | None:
    mount = parse_unit(os.fsdecode(path.read_bytes())).get("Mount", {}) if path.is_file() else {}
    if not {"What", "Where"} <= mount.keys():
        return None
    options = tuple(filter(None, mount.get("Options", "").split(",")))
    return Entry(mount["What"], mount["Where"], mount.get("Type", "auto"), options)


def _is_enabled(folder: Path, name: str) -> bool:
    """Whether a unit is there, and some target wants it (what `systemctl enable` does for a unit with WantedBy=)."""
    return (folder / name).is_file() and any(
        (wants / name).is_symlink() for pattern in ("*.wants", "*.requires") for wants in folder.glob(pattern)
    )


def has_helper(fstype: str, root: Path) -> bool:
    """Whether mount(8) finds the program that network file systems of that type need, /sbin/mount.TYPE."""
    return any((root / folder / f"mount.{fstype}").exists() for folder in ("sbin", "usr/sbin"))


def refuse_fleeting(root: Path) -> None:
    """Raises Refused where /etc would not keep what is written there."""
    mount = mount_of("/etc", read_mounts(root))
    if mount is not None and mount.fstype in _FLEETING:
        raise Refused(
            f"/etc is {_FLEETING[mount.fstype]} on this system ({mount.fstype}): what is written there is gone "
            "after the next boot",
            "Switch the protection of the card off, start again, do this, and switch it on again.",
        )


def verify_fstab(root: Path, text: str) -> None:
    """Refuses to put `text` in place of fstab unless `findmnt --verify` has nothing against either.

    Raises Refused, OSError, and as `run` does.
    """
    path = fstab_path(root)
    if path.is_symlink():
        raise Refused(f"{path} is a symbolic link to {path.readlink()}", "Something else looks after it; use --units.")
    if path.exists():
        _verify(path, "/etc/fstab as it is", "Correct that first. Nothing was changed.")
    with tempfile.NamedTemporaryFile(prefix="fstab.") as candidate:
        candidate.write(os.fsencode(text))
        candidate.flush()
        _verify(Path(candidate.name), "/etc/fstab with the new line", "Nothing was changed.")


def _verify(path: Path, what: str, hint: str) -> None:
    found = run(["findmnt", "--verify", "--tab-file", path], _VERIFY_SECONDS, success=(0, 1))
    if found.code == 0:
        return
    told = [line.strip() for line in (found.stderr_tail + found.text).splitlines()]
    wrong = [line for line in told if line.startswith(("/", "[E]")) or ": parse error" in line]
    raise Refused(f"{what} does not pass `findmnt --verify`: {' '.join(wrong or told)}", hint)


def replace_fstab(root: Path, text: str) -> Path | None:
    """Puts `text` in place of fstab; the copy that is kept of the old one, if there was one. Raises OSError."""
    path = fstab_path(root)
    old = path if path.exists() else None
    kept = keep_copy(path) if old else None
    write_config(path, os.fsencode(text), 0o644, like=old)
    return kept


def write_units(root: Path, units: dict[str, str]) -> None:
    """Writes units by their names, and enables the automount among them. Raises OSError, and as `run` does."""
    for name, text in units.items():
        write_config(units_folder(root) / name, text.encode(), 0o644)
    for name in units:
        if name.endswith(".automount"):
            run(["systemctl", f"--root={root}", "enable", name], _SYSTEMCTL_SECONDS)


def reload_units() -> None:
    """Has the running systemd read its tables again. Raises as `run`."""
    run(["systemctl", "daemon-reload"], _SYSTEMCTL_SECONDS)


def start_unit(name: str) -> None:
    """Raises as `run`."""
    run(["systemctl", "start", name], _SYSTEMCTL_SECONDS)


def systemd_runs(root: Path) -> bool:
    """Whether systemd is what runs this system (sd_booted(3))."""
    return (root / "run/systemd/system").is_dir()
