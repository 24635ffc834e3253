"""What of a card a boot loader starts: the entry that it goes by, and the files that the entry names."""

from __future__ import annotations

import fnmatch
import posixpath
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from backupctl.formats.boot_entry import (
    BootEntry,
    parse_environment,
    parse_firmware,
    parse_grub,
    parse_loader_entry,
    parse_menu,
)
from backupctl.formats.file_tree import FileTree
from backupctl.operations.proving.system_tree import SystemTree

_MENUS = ("extlinux/extlinux.conf", "boot/extlinux/extlinux.conf", "boot/syslinux/syslinux.cfg")
_GRUBS = ("grub/grub.cfg", "boot/grub/grub.cfg", "grub2/grub.cfg", "boot/grub2/grub.cfg")
_LOADERS = ("loader", "boot/loader", "EFI/loader")
# As kernels are called, by their build and by distributions; what they are is told by their contents.
KERNEL_NAME = re.compile(r"(?:kernel|vmlinu|z?image|uimage|linux-?\d|linux$)", re.IGNORECASE)
_ENVIRONMENT = re.compile(r".*env\.txt", re.IGNORECASE)


@dataclass(frozen=True)
class BootVolume:
    """A volume that can be looked into. `name` is for people, as in `partition 1`."""

    name: str
    tree: FileTree

    @property
    def files(self) -> SystemTree:
        return SystemTree(self.tree)


@dataclass(frozen=True)
class FoundEntry:
    """Which text says what is started; `path` is that of the text on its volume."""

    volume: BootVolume
    path: str
    entry: BootEntry

    @property
    def where(self) -> str:
        return f"{self.path.lstrip('/')} of {self.volume.name}"


def find_entry(volumes: Sequence[BootVolume]) -> FoundEntry | None:
    """The entry that this card is started by, as far as that can be told; None if there is no text of a known kind.

    One that names a kernel comes before one that does not: a firmware's settings may only start the next loader.
    """
    found = [entry for volume in volumes for entry in _entries(volume)]
    named = [each for each in found if each.entry.command_line is not None]
    return next((each for each in named if each.entry.kernel), next(iter(named or found), None))


def _entries(volume: BootVolume) -> Iterator[FoundEntry]:
    files = volume.files
    for folder in _LOADERS:
        path = _loader_entry(files, folder)
        if path is not None:
            yield FoundEntry(volume, path, parse_loader_entry(files.text(path) or ""))
    for path in _MENUS:
        if (text := files.text(f"/{path}")) is not None:
            yield FoundEntry(volume, f"/{path}", parse_menu(text))
    yield from _firmware(volume, files)
    for path in _GRUBS:
        if (text := files.text(f"/{path}")) is not None and (entry := parse_grub(text)).kernel:
            yield FoundEntry(volume, f"/{path}", entry)
    for folder in ("/", "/boot"):
        for name in files.names(folder):
            path = posixpath.join(folder, name)
            if _ENVIRONMENT.fullmatch(name) and (text := files.text(path)) is not None:
                yield FoundEntry(volume, path, parse_environment(text))


def _firmware(volume: BootVolume, files: SystemTree) -> Iterator[FoundEntry]:
    settings, command_line = files.text("/config.txt"), files.text("/cmdline.txt")
    entry = parse_firmware(settings or "")
    if command_line is not None:
        yield FoundEntry(volume, "/cmdline.txt", replace(entry, command_line=" ".join(command_line.split())))
    elif settings is not None:
        yield FoundEntry(volume, "/config.txt", entry)


def _loader_entry(files: SystemTree, folder: str) -> str | None:
    """The file that `loader.conf` has as its default, else the last one by name, which is the newest version."""
    names = [name for name in files.names(f"/{folder}/entries") if name.endswith(".conf")]
    if not names:
        return None
    lines = (files.text(f"/{folder}/loader.conf") or "").splitlines()
    wanted = next((line.split()[1] for line in lines if line.split()[:1] == ["default"] and len(line.split()) > 1), "")
    chosen = [name for name in names if wanted and fnmatch.fnmatch(name, wanted)]
    return f"/{folder}/entries/{(chosen or names)[-1]}"


def kernels_on(volume: BootVolume) -> list[str]:
    """Files that are called like kernels, in the places where they stand."""
    files = volume.files
    return [
        posixpath.join(folder, name)
        for folder in ("/", "/boot")
        for name in files.names(folder)
        if KERNEL_NAME.match(name) and (found := files.find(posixpath.join(folder, name))) and found[1].kind == "file"
    ]


def place_of(path: str, entry: FoundEntry, volumes: Sequence[BootVolume]) -> tuple[BootVolume, str] | None:
    """Where a file or a folder that an entry names stands.

    On the entry's own volume, from its root or from the entry's folder (menus may do either), else on another one.
    """
    places = [(entry.volume, f"/{path}"), (entry.volume, posixpath.join(posixpath.dirname(entry.path), path))]
    places += [(volume, f"/{path}") for volume in volumes if volume is not entry.volume]
    # "/boot/vmlinuz" of a menu may be "/vmlinuz" on a boot partition of its own.
    places += [(volume, path.removeprefix("/boot")) for volume in volumes if path.startswith("/boot/")]
    return next(((volume, where) for volume, where in places if volume.files.find(where)), None)
