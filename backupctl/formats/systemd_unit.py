"""`.mount` and `.automount` units of systemd (systemd.unit(5), systemd.mount(5), systemd.automount(5))."""

from __future__ import annotations

import re
from collections.abc import Mapping

from backupctl.domain.errors import UsageError

# systemd.unit(5), "String escaping for inclusion in unit names".
_NOT_PLAIN = re.compile(rb"[^A-Za-z0-9:_./]")
_LONGEST_NAME = 255  # systemd.unit(5): "at most 255 characters", the suffix included
_SECTION = re.compile(r"\[(\w+)\]")
_SPACE = " \t\r"

Sections = Mapping[str, Mapping[str, str]]


def unit_name(path: str, suffix: str) -> str:
    """The name that a unit for a path must have: what `systemd-escape --path --suffix=SUFFIX` prints.

    Raises UsageError for a path that cannot have one.
    """
    pieces = [piece for piece in path.split("/") if piece]
    if any(piece in (".", "..") for piece in pieces):
        raise UsageError(f"{path} holds . or .., which a unit cannot be named for", "Write the path without them.")
    encoded = "/".join(pieces).encode(errors="surrogateescape")
    escaped = _NOT_PLAIN.sub(lambda found: b"\\x%02x" % found[0][0], encoded)
    if escaped.startswith(b"."):
        escaped = b"\\x2e" + escaped[1:]
    name = f"{escaped.decode('ascii').replace('/', '-') or '-'}.{suffix}"
    if len(name) > _LONGEST_NAME:
        raise UsageError(f"{path} is too long a path for a systemd unit", "Choose a shorter mount point.")
    return name


def format_unit(sections: Sections) -> str:
    """The text of a unit. Raises UsageError for a value that a unit cannot hold."""
    blocks = []
    for section, settings in sections.items():
        blocks.append("\n".join([f"[{section}]", *(f"{key}={_value(value)}" for key, value in settings.items())]))
    return "\n\n".join(blocks) + "\n"


def _value(text: str) -> str:
    # Space around a value is dropped, a backslash at its end joins the next line, and nothing stands for a line's end.
    if text != text.strip() or text.endswith("\\") or not text or not re.fullmatch(r"[^\x00-\x08\x0a-\x1f\x7f]+", text):
        raise UsageError(
            f"{text!r} cannot stand in a systemd unit", "Use an fstab line (leave out --units), or a simpler name."
        )
    try:
        text.encode()
    except UnicodeEncodeError:
        raise UsageError(f"{text!r} is no UTF-8, which a systemd unit has to be", "Use a simpler name.") from None
    return text.replace("%", "%%")


def parse_unit(text: str) -> dict[str, dict[str, str]]:
    """Sections and their settings; the last of several with one name. Other lines are ignored, as systemd does.

    Of specifiers only `%%` is resolved.
    """
    sections: dict[str, dict[str, str]] = {}
    current: dict[str, str] = {}
    for line in _joined(text):
        if header := _SECTION.fullmatch(line):
            current = sections.setdefault(header[1], {})
        elif "=" in line:
            key, _, value = line.partition("=")
            current[key.rstrip(_SPACE)] = value.lstrip(_SPACE).replace("%%", "%")
    return sections


def with_setting(text: str, section: str, key: str, value: str) -> str:
    """The unit with `value` in the one line that sets `key` in a section; every other byte as it was.

    Raises UsageError for a value that a unit cannot hold, and where there is not exactly one such line.
    """
    lines = text.split("\n")
    found = []
    current = ""
    for number, line in enumerate(lines):
        bare = line.strip(_SPACE)
        if header := _SECTION.fullmatch(bare):
            current = header[1]
        elif current == section and bare.partition("=")[0].rstrip(_SPACE) == key and "=" in bare:
            found.append(number)
    if len(found) != 1 or lines[found[0]].endswith("\\"):
        raise UsageError(f"the unit does not set {key}= in one line of [{section}]", "Set it so, and try again.")
    lines[found[0]] = f"{key}={_value(value)}"
    return "\n".join(lines)


def _joined(text: str) -> list[str]:
    """Lines without comments; a backslash at the end of one becomes a space, and the next one goes on from there."""
    lines: list[str] = []
    before = ""
    for line in re.split(r"[\n\0]", text):  # systemd takes a zero byte for a line's end as well
        if line.lstrip(_SPACE).startswith(("#", ";")):
            continue
        if line.endswith("\\"):
            before += f"{line[:-1]} "
        else:
            lines.append((before + line).strip(_SPACE))
            before = ""
    return [*lines, before.strip(_SPACE)]
