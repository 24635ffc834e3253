"""Telling a restored system that its root has another kind of file system: fstab, and what the kernel is told.

Sources: fstab(5); the kernel's Documentation/admin-guide/kernel-parameters.rst, `rootfstype=` and `rootflags=`.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from backupctl.formats.fstab import format_entry, lines_for, parse_fstab

_MOST = 1 << 20  # bytes of a text that is looked at
_NAMES_MOST = 20_000
# Those that every file system knows: mount(8), "FILESYSTEM-INDEPENDENT MOUNT OPTIONS". What the old one alone knows
# would keep the new one from being mounted.
_FOR_ALL = re.compile(
    r"defaults|noatime|relatime|nodiratime|strictatime|lazytime|ro|rw|sync|async|suid|nosuid|dev|nodev|exec|noexec|"
    r"auto|noauto|nofail|x-.*"
)
_CHECKED = ("ext2", "ext3", "ext4", "f2fs")  # for others, fsck does nothing at boot: fsck.btrfs(8), fsck.xfs(8)
_KIND = re.compile(rb"(?<![\w.-])rootfstype=[^\s\"'&]+")
_FLAGS = re.compile(rb"(?<![\w.-])rootflags=")
_SUBVOLUME_FLAG = re.compile(rb"(?<![\w.-])rootflags=subvol(?:id)?=[^\s,\"'&]+(?=[\s\"'&]|\Z) ?")


def with_other_root(text: str, kind: str) -> tuple[str, str]:
    """The text of an fstab whose root is of that kind, and in words what was changed; empty if nothing was."""
    found = lines_for(text, "/")
    if len(found) != 1 or found[0].entry is None or found[0].entry.fstype == kind:
        return text, ""
    old = found[0].entry
    options = tuple(option for option in old.options if _FOR_ALL.fullmatch(option)) or ("defaults",)
    new = replace(old, fstype=kind, options=options, pass_number=1 if kind in _CHECKED else 0)
    lines = text.split("\n")
    lines[found[0].number - 1] = format_entry(new) + ("\r" if lines[found[0].number - 1].endswith("\r") else "")
    if old.fstype == "btrfs":
        # Subvolumes of the same one, of which all is in the root's file system now.
        for line in parse_fstab(text):
            if line.entry and line.entry.source == old.source and line.number != found[0].number:
                lines[line.number - 1] = f"# {lines[line.number - 1]}"
    dropped = [option for option in old.options if option not in options]
    words = f"/etc/fstab: / is {kind}" + (f", without {','.join(dropped)}" if dropped else "")
    return "\n".join(lines), words


def names_root_subvolume(text: str) -> bool:
    """Whether an fstab says which subvolume of btrfs is the root."""
    entries = (line.entry for line in lines_for(text, "/") if line.entry)
    return any(option.startswith(("subvol=", "subvolid=")) for entry in entries for option in entry.options)


def swap_files(text: str) -> list[str]:
    """Paths of files that an fstab has for swap."""
    entries = (line.entry for line in parse_fstab(text) if line.entry)
    return [entry.source for entry in entries if entry.fstype == "swap" and not entry.source.startswith("/dev/")
            and entry.source.startswith("/")]  # fmt: skip


def change_kernel_words(folder: Path, kind: str) -> tuple[list[str], list[str]]:
    """In every text below `folder`, a mounted file system that nobody else uses: `rootfstype=` is `kind`.

    The new root has no subvolumes: a `rootflags=` that names one goes. Returns the changed files, and those that have
    other `rootflags=`, which a person has to look at. No link is followed.
    Raises OSError.
    """
    changed, flagged = [], []
    for path, name, folder_fd in _files_below(folder):
        descriptor = os.open(name, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder_fd)
        try:
            text = os.read(descriptor, _MOST)
            if b"\0" in text:
                continue
            if _FLAGS.search(_SUBVOLUME_FLAG.sub(b"", text)):
                flagged.append(path)
            new = _SUBVOLUME_FLAG.sub(b"", _KIND.sub(b"rootfstype=" + kind.encode(), text))
            if new != text:
                os.pwrite(descriptor, new, 0)
                os.ftruncate(descriptor, len(new))
                changed.append(path)
        finally:
            os.close(descriptor)
    return changed, flagged


def _files_below(folder: Path) -> Iterator[tuple[str, str, int]]:
    """Regular files that are small enough for a text: path below `folder`, name, and the descriptor of its folder."""
    count = 0
    for above, _, names, descriptor in os.fwalk(folder, follow_symlinks=False):
        for name in names:
            count += 1
            if count > _NAMES_MOST:
                return
            found = os.stat(name, dir_fd=descriptor, follow_symlinks=False)
            if stat.S_ISREG(found.st_mode) and 0 < found.st_size <= _MOST:
                yield os.path.relpath(Path(above) / name, folder), name, descriptor
