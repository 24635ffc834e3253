"""/etc/fstab: which file systems are to be mounted where (fstab(5)).

Fields are read as libmount does, which mount(8) and systemd use: `\\ooo` is one byte, whatever byte, and a zero byte
ends the field. (glibc's getmntent(3) knows five such sequences only, and takes `\\\\` for a backslash; what is written
here means the same to both.)
"""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass

from backupctl.domain.errors import Refused
from backupctl.formats.mountinfo import unescape

# A "#" begins a comment only at the beginning of a line. glibc does not know an escape for it, so elsewhere it stays.
_ESCAPES = {ord(character): f"\\{ord(character):03o}" for character in "\\ \t\n"}
_NUMBER = re.compile(r"-?\d{1,9}", re.ASCII)


@dataclass(frozen=True)
class Entry:
    """One file system; fields without their escapes."""

    source: str  # "//nas/Back ups", "nas:/srv/copies", "/dev/sda1"
    mount_point: str
    fstype: str
    options: tuple[str, ...]
    frequency: int = 0  # for dump(8)
    pass_number: int = 0  # for fsck(8); 0: not checked at boot


@dataclass(frozen=True)
class Line:
    """One line of the file. Neither `entry` nor `fault`: a comment, or blank."""

    number: int  # from 1
    text: str  # as it stands, without its end
    entry: Entry | None = None
    fault: str = ""  # why mount(8) ignores it


def parse_fstab(text: str) -> tuple[Line, ...]:
    """Every line of the file. `text` may hold surrogates for bytes that are no UTF-8."""
    return tuple(_parse_line(number, line) for number, line in enumerate(text.split("\n"), 1))


def _parse_line(number: int, text: str) -> Line:
    fields = [field for field in re.split(r"[ \t]+", text.removesuffix("\r")) if field]
    if not fields or fields[0].startswith("#"):
        return Line(number, text)
    if "\0" in text:
        return Line(number, text, fault="it holds a zero byte")
    if len(fields) < 3:
        return Line(number, text, fault=f"it has {len(fields)} of at least 3 fields")
    for position, field in enumerate(fields[4:6], 5):
        if not _NUMBER.fullmatch(field):
            # Not what it is: where an option was cut off by a space, it may be a password.
            return Line(number, text, fault=f"field {position} is not a number")
    source, mount_point, fstype, options = (unescape(field).partition("\0")[0] for field in (*fields[:4], "")[:4])
    numbers = (*map(int, fields[4:6]), 0, 0)
    return Line(number, text, Entry(source, mount_point, fstype, tuple(filter(None, options.split(","))), *numbers[:2]))


def format_entry(entry: Entry) -> str:
    """The line of an entry, without its end. Raises ValueError for a field that cannot stand in the file."""
    fields = [entry.source, entry.mount_point, entry.fstype, ",".join(entry.options) or "defaults"]
    if not all(fields) or any("\0" in field for field in fields):
        raise ValueError(f"a field is empty, or holds a zero byte: {fields}")
    line = " ".join([*(field.translate(_ESCAPES) for field in fields), str(entry.frequency), str(entry.pass_number)])
    return rf"\043{line[1:]}" if line.startswith("#") else line


def same_place(one: str, other: str) -> bool:
    """Whether two mount points are the same path but for doubled and trailing slashes."""
    return posixpath.normpath(f"/{one.lstrip('/')}") == posixpath.normpath(f"/{other.lstrip('/')}")


def lines_for(text: str, mount_point: str) -> tuple[Line, ...]:
    """The entries whose mount point is that path."""
    return tuple(line for line in parse_fstab(text) if line.entry and same_place(line.entry.mount_point, mount_point))


def with_entry(text: str, entry: Entry) -> str:
    """The file with `entry` in place of the line for its mount point, else at the end; every other byte as it was.

    Raises Refused if several lines are for that mount point.
    """
    found = lines_for(text, entry.mount_point)
    if len(found) > 1:
        numbers = " and ".join(str(line.number) for line in found)
        raise Refused(
            f"lines {numbers} of fstab are all for {entry.mount_point}", "Leave one of them; the others are in its way."
        )
    written = format_entry(entry)
    if not found:
        return f"{text}{'' if not text or text.endswith(chr(10)) else chr(10)}{written}\n"
    lines = text.split("\n")
    old = lines[found[0].number - 1]
    lines[found[0].number - 1] = written + ("\r" if old.endswith("\r") else "")
    return "\n".join(lines)
