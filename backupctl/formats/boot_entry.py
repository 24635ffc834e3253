"""What a boot loader is told to start: kernel, initial file system, device tree, and the kernel's command line.

Each parser takes the text of a configuration and returns what is started if nobody chooses anything else, as far as the
text says it. Sources: the kernel's Documentation/admin-guide/kernel-parameters.rst and init/do_mounts.c (`root=`); the
UAPI group's Boot Loader Specification, type 1; U-Boot's doc/README.distro and doc/README.pxe; GRUB's manual, "linux".
What a firmware takes from `config.txt` is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

_LINES_MOST = 10_000


@dataclass(frozen=True)
class BootEntry:
    """Paths are as the loader has them, from the root of its own file system. None: the text does not say it."""

    kernel: str | None = None
    initial: tuple[str, ...] = ()
    device_tree: str | None = None
    command_line: str | None = None


@dataclass(frozen=True)
class CommandLine:
    """A kernel's command line, as far as finding the root goes. Of a word that comes twice, the last one counts."""

    words: dict[str, str] = field(default_factory=dict)

    @property
    def root(self) -> str | None:
        return self.words.get("root")

    @property
    def init(self) -> str | None:
        return self.words.get("init")


def parse_command_line(text: str) -> CommandLine:
    """Words stand apart by white space; quotation marks keep it together (kernel-parameters.rst)."""
    words: dict[str, str] = {}
    for word in re.findall(r'(?:"[^"]*"|[^\s"])+', text)[:_LINES_MOST]:
        name, _, value = word.replace('"', "").partition("=")
        if name == "--":
            break  # the rest is for init
        words[name] = value
    return CommandLine(words)


def parse_menu(text: str) -> BootEntry:
    """`extlinux.conf`: the entry that DEFAULT names, else the first. APPEND before all entries counts for each."""
    default, label = "", ""
    entries: dict[str, BootEntry] = {"": BootEntry()}
    for key, value in _pairs(text):
        if key == "default":
            default = value
            continue
        if key == "label":
            label = value
            entries[label] = entries[""]
            continue
        entries[label] = _with_menu_line(entries[label], key, value)
    if default in entries and default:
        return entries[default]
    return next((entry for name, entry in entries.items() if name), entries[""])


def _with_menu_line(entry: BootEntry, key: str, value: str) -> BootEntry:
    match key:
        case "linux" | "kernel":
            return replace(entry, kernel=value)
        case "initrd":
            return replace(entry, initial=tuple(value.split(",")))
        case "fdt" | "devicetree":
            return replace(entry, device_tree=value)
        case "append":
            return replace(entry, command_line=value)
    return entry


def parse_loader_entry(text: str) -> BootEntry:
    """One file of `loader/entries`: `options` and `initrd` may come several times, and are all used."""
    entry = BootEntry()
    for key, value in _pairs(text):
        match key:
            case "linux":
                entry = replace(entry, kernel=value)
            case "initrd":
                entry = replace(entry, initial=(*entry.initial, value))
            case "devicetree":
                entry = replace(entry, device_tree=value)
            case "options":
                entry = replace(entry, command_line=" ".join(filter(None, (entry.command_line, value))))
    return entry


def parse_grub(text: str) -> BootEntry:
    """`grub.cfg`: the first entry. Variables are not followed: a path that has one counts as not said."""
    entry = BootEntry()
    for line in _lines(text):
        words = line.split(None, 1)
        if len(words) < 2:
            continue
        if words[0] in ("linux", "linux16", "linuxefi"):
            if entry.kernel is not None:
                break
            kernel, _, command_line = words[1].partition(" ")
            entry = replace(entry, kernel=_said(kernel), command_line=_said(command_line))
        elif words[0] in ("initrd", "initrd16", "initrdefi") and entry.kernel is not None and not entry.initial:
            entry = replace(entry, initial=tuple(filter(None, map(_said, words[1].split()))))
        elif words[0] == "devicetree" and entry.device_tree is None:
            entry = replace(entry, device_tree=_said(words[1]))
    return entry


def _said(text: str) -> str | None:
    # "${extra}" within a command line says nothing of its root.
    kept = " ".join(word for word in text.split() if "$" not in word)
    return re.sub(r"^\([^)]*\)", "", kept) or None


def parse_firmware(text: str) -> BootEntry:
    """`config.txt`: what holds for every model. The sections of some models only are left to the firmware."""
    entry, applies, prefix = BootEntry(), True, ""
    for line in _lines(text):
        if line.startswith("["):
            applies = line.lower() == "[all]"
            continue
        if not applies:
            continue
        key, equals, value = (part.strip() for part in line.partition("="))
        if key.startswith("initramfs"):
            entry = replace(entry, initial=tuple(line.split()[1].split(",")) if len(line.split()) > 1 else ())
        elif not equals or not value:
            continue
        elif key == "kernel":
            entry = replace(entry, kernel=value)
        elif key == "device_tree":
            entry = replace(entry, device_tree=value)
        elif key == "os_prefix":
            prefix = value
    return replace(
        entry,
        kernel=entry.kernel and prefix + entry.kernel,
        initial=tuple(prefix + name for name in entry.initial),
        device_tree=entry.device_tree and prefix + entry.device_tree,
    )


def parse_environment(text: str) -> BootEntry:
    """A file of a U-Boot script's variables: `rootdev=`, or a whole `bootargs=`."""
    found = dict(line.partition("=")[::2] for line in _lines(text) if "=" in line)
    if "bootargs" in found:
        return BootEntry(command_line=found["bootargs"])
    return BootEntry(command_line=f"root={found['rootdev']}") if found.get("rootdev") else BootEntry()


def _pairs(text: str) -> Iterator[tuple[str, str]]:
    for line in _lines(text):
        key, _, value = line.replace("\t", " ").partition(" ")
        if value.strip():
            yield key.lower(), value.strip()


def _lines(text: str) -> Iterator[str]:
    for line in text.split("\n")[:_LINES_MOST]:
        stripped = line.strip()
        if stripped and not stripped.startswith("#"):
            yield stripped
