"""Whether a board would boot from a card, as far as that can be told without booting it."""

from __future__ import annotations

from collections.abc import Sequence

from backupctl.domain.drill import Finding, Outcome
from backupctl.domain.errors import Malformed
from backupctl.formats.boot_entry import CommandLine, parse_command_line
from backupctl.operations.proving.boot_files import BootVolume, FoundEntry, find_entry, kernels_on
from backupctl.operations.proving.kernel_check import BoardFacts, check_device_tree, check_kernel
from backupctl.operations.proving.named_volumes import NamedVolume, find_volume, is_elsewhere
from backupctl.operations.proving.root_check import NAMES, RootCheck, looks_like_root


def check_boot(
    volumes: Sequence[NamedVolume], board: BoardFacts, captured_from: str, made_of_files: bool = False
) -> list[Finding]:
    """`captured_from`: the path of the device that was captured. `made_of_files`: the card was made anew of them.

    Raises OSError of what is behind the volumes.
    """
    boot = [BootVolume(volume.name, volume.tree) for volume in volumes if volume.tree is not None]
    try:
        entry = find_entry(boot)
        roots = [volume for volume in volumes if volume.tree is not None and looks_like_root(volume.tree)]
        if entry is None and not roots and not any(kernels_on(volume) for volume in boot):
            return [_no_system(volumes, board)]
        kernel, kernels = check_kernel(entry, boot, board)
        device_tree = check_device_tree(entry, boot, board, kernels)
    except Malformed as error:
        return [Finding("boot", Outcome.WRONG, f"the files on the card cannot be looked through: {error}")]
    command_line = parse_command_line((entry and entry.entry.command_line) or "")
    named, root = _root(entry, command_line, volumes, captured_from)
    if root is None and len(roots) == 1:
        root = roots[0]
    found = [kernel, *([device_tree] if device_tree else []), named]
    if root is None or root.tree is None:
        why = f"{root.name} ({root.kind}) cannot be looked into" if root else "which volume is the root is not known"
        return found + [Finding(name, Outcome.NOT_CHECKED, why) for name in NAMES]
    runs = board.runs(kernels)
    return (
        found
        + RootCheck(root, root.tree, volumes, captured_from, command_line, kernels, runs, made_of_files).findings()
    )


def _no_system(volumes: Sequence[NamedVolume], board: BoardFacts) -> Finding:
    if board.machine:
        return Finding("boot", Outcome.WRONG, "the board ran from this card, and there is no system on it any more")
    opaque = [volume.name for volume in volumes if volume.tree is None and volume.kind not in ("swap", "left out")]
    if opaque:
        return Finding("boot", Outcome.NOT_CHECKED, f"{' and '.join(opaque)} cannot be looked into")
    return Finding("boot", Outcome.NOT_CHECKED, "there is no system on it: it is a card of data", matters=False)


def _root(
    entry: FoundEntry | None, command_line: CommandLine, volumes: Sequence[NamedVolume], captured_from: str
) -> tuple[Finding, NamedVolume | None]:
    if entry is None or not command_line.root:
        where = f"{entry.where} names none" if entry else "no command line of a kernel was found"
        return Finding("root", Outcome.NOT_CHECKED, where), None
    root = find_volume(command_line.root, volumes, captured_from)
    said = f"root={command_line.root}, in {entry.where},"
    if root is None and is_elsewhere(command_line.root):
        return Finding("root", Outcome.NOT_CHECKED, f"{said} is no partition"), None
    if root is None:
        return Finding("root", Outcome.WRONG, f"{said} names nothing that is on this card"), None
    if root.left_out:
        why = "whose contents were left out, as the policy has it: from this capture alone, no board boots"
        return Finding("root", Outcome.WRONG, f"{said} is {root.name}, {why}"), None
    if root.kind in ("unknown", "swap"):
        return Finding("root", Outcome.WRONG, f"{said} is {root.name}, which holds no file system"), None
    return Finding("root", Outcome.WELL, f"{said} is {root.name}"), root
