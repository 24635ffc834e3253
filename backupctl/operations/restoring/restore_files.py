"""Unpacking a capture of files into a folder, with all that belongs to them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import KW_ONLY, asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.file_system import sync_file_system
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import counted, size
from backupctl.formats.pax_tree import PaxTree
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.pick import open_files
from backupctl.operations.picking.picked_folder import PickedFolder
from backupctl.operations.picking.picking import Picked, Picker, ShareGone
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.restore import RestorePlan, left_alone, said_of, tell
from backupctl.operations.restoring.stitching import check_digest, stream_of
from backupctl.share.shelf import Shelf

_LOST_AND_FOUND = "lost+found"  # in the root of a new ext file system, for e2fsck(8)


@dataclass(frozen=True)
class FilesOptions:
    """What is asked for. `target`: a folder that is empty, or not there yet. `show_plan`: for the question."""

    target: Path
    _: KW_ONLY
    yes: bool
    dry_run: bool
    show_plan: Callable[[dict[str, Any]], str]


def restore_files(
    shelf: Shelf, name: str | None, as_of: datetime | None, options: FilesOptions, facts: Facts, reporter: Reporter,
    stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Raises NotFound, Refused, NoRoom, Damaged; what is lost, or could not be made, is in the result."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of)
    description = _checked(options.target)
    with left_alone(shelf, record, facts), open_files(shelf, history, record, None, reporter) as files:
        plan = _plan(files, record, history, options.target, description, facts.now())
        if options.dry_run:
            return {"plan": asdict(plan), "restored": False}
        if not options.yes:
            _ask(plan, options, reporter)
        plan = replace(plan, warnings=(*plan.warnings, *_lost_segments(shelf, history, record, reporter)))
        is_root = hasattr(os, "geteuid") and os.geteuid() == 0
        picker = Picker(files, True, is_root, min(_tree(files).file_bytes, files.view.size), reporter, stop)
        try:
            _unpack(files, picker, options.target)
        except ShareGone as gone:
            raise gone.error from None
    tell(shelf, facts, reporter, "restored", {
        "capture": record.id, "target": str(options.target), "board": record.board,
    })  # fmt: skip
    return {"plan": asdict(plan), "restored": True, "picked": _told(picker.result), "warnings": list(plan.warnings)}


def _checked(target: Path) -> str:
    """What the target is, in words. Raises Refused unless nothing stands there that could be hurt."""
    if target.is_dir():
        if any(path.name != _LOST_AND_FOUND or any(path.iterdir()) for path in target.iterdir()):
            raise Refused(f"{target} is not empty", "Nothing is overwritten. Name an empty folder, or a new one.")
        return "an empty folder"
    if os.path.lexists(target):
        raise Refused(f"{target} is no folder", "Files go into a folder that is empty, or not there yet.")
    if not target.parent.is_dir():
        raise Refused(f"there is no folder {target.parent}", "Make it first.")
    return "a new folder"


def _tree(files: CapturedFiles) -> PaxTree:
    tree = files.root_volume.tree
    if not isinstance(tree, PaxTree):
        raise Refused(f"{files.view.record.id} is a capture of a card", "Restore it to a card, or into a file.")
    return tree


def _plan(
    files: CapturedFiles, record: CaptureRecord, history: History, target: Path, description: str, now: datetime
) -> RestorePlan:
    tree, said = _tree(files), said_of(record, history, now)
    warnings = [*said.pop("warnings"), *files.root_volume.warnings]
    room = shutil.disk_usage(target if target.is_dir() else target.parent).free
    if room < record.stream_bytes:
        warnings.append(f"there is only room for {size(room)}, and the archive has {size(record.stream_bytes)}")
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        warnings.append("you are not root: owners, devices and some attributes cannot be as they were")
    holds = f"{counted(len(tree) - 1, 'name')}, {size(tree.file_bytes)}"
    return RestorePlan(
        **said, target=str(target), target_is_card=False, target_description=description, will_hold=(holds,),
        warnings=tuple(warnings),
    )  # fmt: skip


def _ask(plan: RestorePlan, options: FilesOptions, reporter: Reporter) -> None:
    question = f"{options.show_plan(asdict(plan))}\nType the name of the board ({plan.board}) to unpack it there:"
    if not reporter.ask(question, plan.board):
        raise Refused(
            "nothing was unpacked, since the name of the board was not typed",
            "Where nobody can type it: --yes.",
        )


def _lost_segments(shelf: Shelf, history: History, record: CaptureRecord, reporter: Reporter) -> list[str]:
    """That the shelf holds what the record tells of. Raises Damaged if something else stands there.

    What has no copy any more is only said: all that can be had is wanted then.
    """
    _, index, _ = stream_of(shelf, history, record.id, reporter.note)
    with closing(index):
        lost = sum(index.place_of(number) is None for number in range(len(index)))
        if lost:
            return [f"{counted(lost, 'segment')} of the capture have no intact copy: what is in them is lost"]
        check_digest(shelf, record, index)
    return []


def _unpack(files: CapturedFiles, picker: Picker, target: Path) -> None:
    root = files.trees.root
    if target.is_dir():
        with PickedFolder.existing(target) as top:
            picker.fill(root, top, {_LOST_AND_FOUND.encode()} & {os.fsencode(name) for name in top.names()})
    else:
        with PickedFolder.existing(target.parent) as top:
            picker.pick(root, top, target.name)
    with PickedFolder.existing(target) as top:
        if top.descriptor is not None:
            try:
                sync_file_system(top.descriptor)
            except OSError as error:
                raise BackupctlError(
                    f"{target} did not take all that was written: {error.strerror}", "Its medium may be failing."
                ) from None


def _told(result: Picked) -> dict[str, Any]:
    return {**asdict(result), "unset": dict(result.unset)}
