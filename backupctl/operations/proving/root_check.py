"""Whether a root has what a board needs of it: an init for its processor, modules of its kernel, what it mounts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from backupctl.domain.drill import Finding, Outcome
from backupctl.domain.errors import Malformed
from backupctl.formats import elf
from backupctl.formats.boot_entry import CommandLine
from backupctl.formats.file_tree import FileTree
from backupctl.formats.fstab import Entry, parse_fstab
from backupctl.formats.kernel_image import KernelImage
from backupctl.operations.proving.named_volumes import NamedVolume, find_volume, is_elsewhere, is_of_type, needs_volume
from backupctl.operations.proving.system_tree import SystemTree

NAMES = ("init", "modules", "fstab")
_INITS = ("/sbin/init", "/etc/init", "/bin/init")  # the kernel's init/main.c; its last resort, a shell, is no system
_SCRIPT = b"#!"
_INTERPRETERS_MOST = 4


def looks_like_root(tree: FileTree) -> bool:
    """Raises Malformed, OSError."""
    files = SystemTree(tree)
    return any(files.find(path) for path in ("/etc/fstab", *_INITS, "/usr/lib/modules", "/lib/modules"))


@dataclass(frozen=True)
class RootCheck:
    """`runs`: machines (as in `formats.elf`) whose programs the board runs; empty where that is not known."""

    root: NamedVolume
    tree: FileTree
    volumes: Sequence[NamedVolume]
    captured_from: str
    command_line: CommandLine
    kernels: Sequence[KernelImage]
    runs: tuple[str, ...]
    made_of_files: bool = False  # swap files are left out then, and systemd.special(7) starts without: "swap.target"

    def findings(self) -> list[Finding]:
        """One for each of `NAMES`. Raises OSError."""
        try:
            text = SystemTree(self.tree).text("/etc/fstab")
        except Malformed as error:
            return [Finding(name, Outcome.WRONG, f"the root cannot be read: {error}") for name in NAMES]
        entries = [line.entry for line in parse_fstab(text or "") if line.entry]
        system = SystemTree(self.tree, self._mounts(entries))
        checks: tuple[Callable[[], Finding], ...] = (
            partial(self._init, system),
            partial(self._modules, system),
            partial(self._fstab, system, text, entries),
        )
        found = []
        for name, check in zip(NAMES, checks, strict=True):
            try:
                found.append(check())
            except Malformed as error:
                found.append(Finding(name, Outcome.WRONG, f"it cannot be read: {error}"))
        return found

    def _mounts(self, entries: Sequence[Entry]) -> dict[str, FileTree]:
        """What of the card fstab mounts below the root."""
        found = {}
        for entry in entries:
            volume = find_volume(entry.source, self.volumes, self.captured_from)
            if volume is not None and volume is not self.root and volume.tree is not None:
                found[entry.mount_point] = volume.tree
        return found

    def _init(self, system: SystemTree) -> Finding:
        wanted = (self.command_line.init,) if self.command_line.init else _INITS
        path = next((path for path in wanted if system.find(path)), None)
        if path is None:
            return Finding("init", Outcome.WRONG, f"there is none: no {', no '.join(wanted)}")
        program = path
        for _ in range(_INTERPRETERS_MOST):
            found = system.find(program)
            data = system.read(program, elf.HEAD_BYTES)
            if found is None or data is None:
                return Finding("init", Outcome.WRONG, f"{path} needs {program}, which is not there")
            if not found[1].mode & 0o111:
                return Finding("init", Outcome.WRONG, f"{program} is no program: nobody may run it")
            if data.startswith(_SCRIPT):
                program = data[2:256].split(b"\n")[0].split()[0].decode(errors="surrogateescape")
                continue
            try:
                executable = elf.read_executable(data)
            except Malformed:
                what = "is no program" if data else "is empty"
                return Finding("init", Outcome.WRONG, f"{program} {what}")
            if self.runs and executable.machine not in self.runs:
                what = f"{program} is for {executable.machine}, and the board is {self.runs[0]}"
                return Finding("init", Outcome.WRONG, what)
            if executable.interpreter and program != executable.interpreter:
                program = executable.interpreter
                continue
            if not self.runs:
                what = f"{path} is for {executable.machine}; what the board is is not known"
                return Finding("init", Outcome.NOT_CHECKED, what)
            return Finding("init", Outcome.WELL, f"{path}, for {executable.machine}")
        return Finding("init", Outcome.WRONG, f"{path} leads from one program to the next without end")

    def _modules(self, system: SystemTree) -> Finding:
        there = {
            name: any(".ko" in path for path, _ in system.files_below(f"/lib/modules/{name}", 8))
            for name in system.names("/lib/modules")
        }
        versions = list(dict.fromkeys(kernel.version for kernel in self.kernels if kernel.version))
        fitting = [version for version in versions if there.get(version)]
        if fitting:
            return Finding("modules", Outcome.WELL, f"of {' and '.join(fitting)}")
        filled = ", ".join(name for name, any_module in there.items() if any_module) or "none"
        if versions:
            words = f"there are none of {versions[0]} in /lib/modules, which has {filled}"
            return Finding("modules", Outcome.WRONG, words)
        if filled == "none":
            return Finding("modules", Outcome.WRONG, "there are none in /lib/modules")
        return Finding("modules", Outcome.NOT_CHECKED, f"there are those of {filled}; of which kernel is not known")

    def _fstab(self, system: SystemTree, text: str | None, entries: Sequence[Entry]) -> Finding:
        if text is None:
            return Finding("fstab", Outcome.WELL, "there is none: nothing but the root is mounted")
        faults = [f"line {line.number}: {line.fault}" for line in parse_fstab(text) if line.fault]
        met, aside = 0, []
        for entry in entries:
            fault = self._fault(system, entry)
            if fault is None:
                met += needs_volume(entry)
            elif {"noauto", "nofail"} & set(entry.options) or (self.made_of_files and entry.fstype == "swap"):
                aside.append(f"{fault}, and the board starts without it")
            else:
                faults.append(fault)
        if faults:
            return Finding("fstab", Outcome.WRONG, "; ".join(faults))
        said = "what it names is on this card" if met else "it names nothing on a disk"
        return Finding("fstab", Outcome.WELL, "; ".join([said, *aside]))

    def _fault(self, system: SystemTree, entry: Entry) -> str | None:
        if not needs_volume(entry) or is_elsewhere(entry.source):
            return None
        what = f"{entry.source}, for {entry.mount_point},"
        if entry.source.startswith("/") and not entry.source.startswith("/dev/"):
            return None if system.find(entry.source) else f"{what} is not there"  # a swap file, or an image
        volume = find_volume(entry.source, self.volumes, self.captured_from)
        if volume is None:
            return f"{what} is not on this card"
        if volume.left_out:
            return f"{what} was left out of the capture, and comes back empty"
        if not is_of_type(entry.fstype, volume.kind):
            return f"{what} is {volume.kind}, and no {entry.fstype}"
        return None
