"""/proc/<pid>/mountinfo: which file system is mounted where (proc(5), "/proc/pid/mountinfo")."""

from __future__ import annotations

import os
import posixpath
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePosixPath

from backupctl.domain.errors import Malformed

# The kernel writes space, tab, newline and backslash so, "#" in sources, and "," within the value of a super option.
_ESCAPE = re.compile(rb"\\([0-3][0-7]{2})")

# Far more than any machine has (the kernel's own limit for a namespace is 100 000, fs.mount-max in proc(5)).
_MOST_MOUNTS = 1_000_000


@dataclass(frozen=True)
class Mount:
    """One line of mountinfo; paths and sources without their escapes."""

    id: int
    parent: int
    major: int
    minor: int
    root: str  # the directory within the file system that is mounted
    mount_point: str
    options: tuple[str, ...]  # of this mount
    fstype: str  # "ext4", "fuse.sshfs"
    source: str
    super_options: tuple[str, ...]  # of the file system, whichever mount it is seen through

    @property
    def read_only(self) -> bool:
        """Whether nothing can be written through this mount."""
        return "ro" in self.options or "ro" in self.super_options

    @property
    def subvolume(self) -> str:
        """The subvolume of btrfs that it shows, `/@home`; empty where it shows all that there is."""
        # btrfs names that of the mount's root there, also for a bind mount of a folder in it (seen on Linux 6.18).
        named = self.super_option("subvol") if self.fstype == "btrfs" else ""
        return "" if named == "/" else named

    @property
    def is_whole(self) -> bool:
        """Whether it shows all of a file system, or of a subvolume; not one folder of it."""
        return self.root == (self.subvolume or "/")

    def super_option(self, name: str) -> str:
        """The value of the super option `name=...`, empty where it is not given."""
        return next((given[len(name) + 1 :] for given in self.super_options if given.startswith(f"{name}=")), "")


def parse_mountinfo(text: str) -> tuple[Mount, ...]:
    """The mounts in the order of the file; unknown optional fields are ignored.

    Raises Malformed for a line that does not follow proc(5).
    """
    mounts = []
    offset = 0
    for line in text.split("\n"):
        if line:
            mounts.append(_parse_line(line, offset))
        if len(mounts) > _MOST_MOUNTS:
            raise Malformed("mountinfo", offset, f"at most {_MOST_MOUNTS} mounts", "more")
        offset += len(os.fsencode(line)) + 1
    return tuple(mounts)


def _parse_line(line: str, offset: int) -> Mount:
    before, separator, after = line.partition(" - ")
    # Not split(): a source may be empty.
    left, right = before.split(" "), after.split(" ")
    if not separator or len(left) < 6 or len(right) < 3:
        raise Malformed("mountinfo line", offset, "6 fields, ' - ' and 3 more", repr(line[:200]))
    number = re.fullmatch(r"(\d{1,10}) (-?\d{1,10}) (\d{1,10}):(\d{1,10})", " ".join(left[:3]), re.ASCII)
    if not number:
        raise Malformed("mountinfo line", offset, "an id, its parent's and a device number", repr(" ".join(left[:3])))
    ident, parent, major, minor = map(int, number.groups())
    return Mount(
        ident,
        parent,
        major,
        minor,
        root=unescape(left[3]),
        mount_point=unescape(left[4]),
        options=_options(left[5]),
        fstype=unescape(right[0]),
        source=unescape(right[1]),
        super_options=_options(right[2]),
    )


def unescape(field: str) -> str:
    """A field of a kernel table (mountinfo, mounts, swaps) without its octal escapes."""
    if "\\" not in field:
        return field
    return os.fsdecode(_ESCAPE.sub(lambda found: bytes([int(found[1], 8)]), os.fsencode(field)))


def _options(field: str) -> tuple[str, ...]:
    # Split first: a comma within a value is escaped.
    return tuple(unescape(option) for option in field.split(","))


def mount_of(path: str, mounts: Iterable[Mount]) -> Mount | None:
    """The mount that is in force at `path`, which is absolute and without symbolic links; None if none is listed.

    Goes down the tree of mounts as the kernel walks a path: neither a mount beneath a stacked one nor one below a
    directory that was mounted over later is ever reached.
    """
    wanted = PurePosixPath(posixpath.normpath("/" + path.lstrip("/")))
    children: dict[int, list[Mount]] = {}
    ids = set()
    for mount in mounts:
        ids.add(mount.id)
        if wanted.is_relative_to(mount.mount_point):
            children.setdefault(mount.parent, []).append(mount)
    # A parent outside of the process's root directory is not listed (proc(5), field 2). The root of an initial
    # namespace is its own parent.
    tops = [m for found in children.values() for m in found if m.parent not in ids or m.parent == m.id]
    reached: Mount | None = None
    visited: set[int] = set()
    while tops:
        # The first mount point met on the way down; of two at the same place, the later one.
        reached = min(reversed(tops), key=lambda mount: len(mount.mount_point))
        visited.add(reached.id)
        tops = [mount for mount in children.get(reached.id, []) if mount.id not in visited]
    return reached
