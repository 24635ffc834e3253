"""Whether the kernel that a card is started with is there, and the device tree of its board."""

from __future__ import annotations

import posixpath
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from backupctl.domain.drill import Finding, Outcome
from backupctl.domain.errors import Malformed
from backupctl.domain.units import counted
from backupctl.formats.device_tree import Hardware, read_hardware
from backupctl.formats.kernel_image import KernelImage, read_kernel
from backupctl.operations.proving.boot_files import BootVolume, FoundEntry, kernels_on, place_of
from backupctl.operations.proving.system_tree import SystemTree

_KERNEL_MOST = 256 << 20  # bytes
_TREE_MOST = 4 << 20
_TREES_MOST = 4000
# As `uname -m` has it, and what a kernel of that name runs: one of 64 bits runs programs of 32 bits as well.
_MACHINES = {
    "aarch64": ("arm64", "arm"), "armv8l": ("arm64", "arm"), "armv7l": ("arm",), "armv6l": ("arm",),
    "x86_64": ("x86-64", "x86"), "i686": ("x86",), "i586": ("x86",), "riscv64": ("riscv",),
}  # fmt: skip
_OF_KERNEL = {"arm64": _MACHINES["aarch64"], "x86-64": _MACHINES["x86_64"]}
_TREELESS = {"x86", "x86-64"}  # their firmware tells the kernel what there is
_TREE_FOLDERS = (("/", 0), ("/boot", 0), ("/dtb", 3), ("/dtbs", 3), ("/boot/dtb", 3), ("/boot/dtbs", 3))
_VERSION_FOLDERS = "/usr/lib"  # Debian's kernels have theirs in linux-image-VERSION


@dataclass(frozen=True)
class BoardFacts:
    """What a capture says of the board that it was taken on; empty where it does not."""

    machine: str = ""  # as `uname -m`
    model: str = ""
    compatible: tuple[str, ...] = ()  # the most special name first

    @staticmethod
    def of_source(source: dict[str, Any]) -> BoardFacts:
        """`source` of a capture's record, as it stands on the share."""
        told = source.get("system")
        if not isinstance(told, dict):
            return BoardFacts()
        machine, model, names = (told.get(key) for key in ("machine", "model", "compatible"))
        return BoardFacts(
            machine if isinstance(machine, str) else "",
            model if isinstance(model, str) else "",
            tuple(name for name in names if isinstance(name, str)) if isinstance(names, list) else (),
        )

    def runs(self, kernels: Sequence[KernelImage]) -> tuple[str, ...]:
        """Machines (as in `formats.elf`) whose programs this board runs; empty where nothing says it."""
        if self.machine:
            return _MACHINES.get(self.machine, (self.machine,))
        machine = next((kernel.machine for kernel in kernels if kernel.machine), "")
        return _OF_KERNEL.get(machine, (machine,)) if machine else ()


@dataclass(frozen=True)
class KernelFile:
    """One that may be started; `where` is for people."""

    where: str
    image: KernelImage


def check_kernel(
    entry: FoundEntry | None, volumes: Sequence[BootVolume], board: BoardFacts
) -> tuple[Finding, list[KernelImage]]:
    """And those kernels that this board can start. Raises Malformed, OSError."""
    problems = [*_faults_of_initial(entry, volumes)]
    if entry and entry.entry.kernel:
        place = place_of(entry.entry.kernel, entry, volumes)
        places = [place] if place else []
        if place is None:
            problems.insert(0, f"{entry.where} names the kernel {entry.entry.kernel}, which is not there")
    else:
        own = volumes if entry is None else [entry.volume]
        places = [(volume, path) for volume in own for path in kernels_on(volume)]
    found: list[KernelFile] = []
    strange = []
    for volume, path in places:
        where = f"{path.lstrip('/')} of {volume.name}"
        data = volume.files.read(path, _KERNEL_MOST)
        image = read_kernel(data) if data else None
        if not data:
            problems.append(f"{where} is empty")
        elif image is None:
            strange.append(where)
        else:
            found.append(KernelFile(where, image))
    runs = board.runs([])
    fitting = [each for each in found if not runs or not each.image.machine or each.image.machine in runs]
    if found and not fitting:
        problems.append(f"{found[0].where} is for {found[0].image.machine}, and the board is {board.machine}")
    if not found and not strange and not problems:
        problems.append(f"there is none on {entry.volume.name}" if entry else "there is none")
    kernels = [each.image for each in fitting]
    if problems:
        return Finding("kernel", Outcome.WRONG, "; ".join(problems)), kernels
    if not found:
        # A loader may start another loader; what that one starts is not known here.
        return Finding("kernel", Outcome.NOT_CHECKED, f"{strange[0]} is no kernel of a form that is known here"), []
    return Finding("kernel", Outcome.WELL, "; ".join(map(_words, fitting))), kernels


def _faults_of_initial(entry: FoundEntry | None, volumes: Sequence[BootVolume]) -> Iterator[str]:
    for path in entry.entry.initial if entry else ():
        assert entry is not None
        place = place_of(path, entry, volumes)
        node = place and place[0].files.find(place[1])
        if not node or not node[1].size:
            yield f"{entry.where} names {path}, which is {'empty' if node else 'not there'}"


def _words(kernel: KernelFile) -> str:
    version = kernel.image.version or "of a version that it does not say"
    return ", ".join(filter(None, (kernel.where, version, kernel.image.machine)))


def check_device_tree(
    entry: FoundEntry | None, volumes: Sequence[BootVolume], board: BoardFacts, kernels: Sequence[KernelImage]
) -> Finding | None:
    """None for a board that needs none. Raises Malformed, OSError."""
    machines = set(board.runs(kernels))
    if machines and machines <= _TREELESS:
        return None
    named = entry.entry.device_tree if entry else None
    if entry and named:
        place = place_of(named, entry, volumes)
        hardware = _hardware(place[0].files, place[1]) if place else None
        if hardware is None:
            fault = "is empty, or no device tree" if place else "is not there"
            return Finding("device tree", Outcome.WRONG, f"{entry.where} names {named}, which {fault}")
        return _fits([(named, hardware)], board)
    found = [
        (path, hardware)
        for volume in volumes
        for path in _trees_on(volume.files, board)
        if (hardware := _hardware(volume.files, path))
    ]
    if found:
        return _fits(found, board)
    if not board.model and not board.compatible:
        return Finding("device tree", Outcome.NOT_CHECKED, "the capture does not say which model it is of", False)
    if entry and posixpath.basename(entry.path) in ("cmdline.txt", "config.txt"):
        return Finding("device tree", Outcome.WRONG, f"there is none on the card for {board.model}")
    there = "none is on the card; the board's firmware has to have one"
    return Finding("device tree", Outcome.NOT_CHECKED, there, False)


def _fits(found: Sequence[tuple[str, Hardware]], board: BoardFacts) -> Finding:
    if not board.compatible and not board.model:
        there = f"{counted(len(found), 'device tree')} there; the capture does not say which model it is of"
        return Finding("device tree", Outcome.NOT_CHECKED, there, False)
    for path, hardware in found:
        same = bool(board.compatible) and board.compatible[0] in hardware.compatible
        if same or (hardware.model and board.model.startswith(hardware.model)):
            return Finding("device tree", Outcome.WELL, f"{path.lstrip('/')}, for {hardware.model or board.model}")
    what = f"{found[0][0].lstrip('/')} is not" if len(found) == 1 else f"none of the {len(found)} on the card is"
    return Finding("device tree", Outcome.WRONG, f"{what} for {board.model or board.compatible[0]}")


def _trees_on(files: SystemTree, board: BoardFacts) -> list[str]:
    """Those that are called like the board first."""
    below = [f"{_VERSION_FOLDERS}/{name}" for name in files.names(_VERSION_FOLDERS) if name.startswith("linux-image-")]
    paths = [
        path
        for folder, depth in (*_TREE_FOLDERS, *((path, 2) for path in below))
        for path, node in files.files_below(folder, depth)
        if path.lower().endswith(".dtb") and node.size
    ][:_TREES_MOST]
    names = [name.rpartition(",")[2] for name in board.compatible]
    return sorted(paths, key=lambda path: not any(name and name in posixpath.basename(path) for name in names))


def _hardware(files: SystemTree, path: str) -> Hardware | None:
    try:
        return read_hardware(files.read(path, _TREE_MOST) or b"")
    except Malformed:
        return None
