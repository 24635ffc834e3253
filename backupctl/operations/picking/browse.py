"""A capture as a read-only folder, for looking around with whatever one likes."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.fuse_mount import FuseMount, mounts_in, unmount
from backupctl.board.process import run
from backupctl.domain.errors import BackupctlError, Interrupted, NotFound, Refused
from backupctl.domain.record import CaptureRecord
from backupctl.formats.reader import ReadAt, Window
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.picking.captured_files import open_archive, open_volumes
from backupctl.operations.picking.image_folder import ImageFolder
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.operations.restoring.restore import left_alone
from backupctl.share.shelf import Shelf

_CACHE_BYTES = 64 << 20
_MOUNT_SECONDS = 60.0
_LOOK_SECONDS = 0.2
# File systems that this program does not read itself, and the options with which the kernel writes nothing to them:
# each one's page in the kernel's documentation, filesystems/.
_KERNEL_OPTIONS = {"xfs": "norecovery,nouuid", "btrfs": "rescue=nologreplay", "f2fs": "norecovery"}


def browse(
    shelf: Shelf, name: str | None, as_of: datetime | None, folder: Path, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Shows a capture in `folder` until somebody asks for a stop, or unmounts it. Raises Refused, NotFound."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of)
    with ExitStack() as stack:
        stack.enter_context(_empty(folder))
        stack.enter_context(left_alone(shelf, record, facts))
        view = stack.enter_context(CaptureView(shelf, history, record, reporter.note, _CACHE_BYTES))
        files, trees, others, notes = _content(view, record)
        taken = datetime.fromisoformat(record.finished)
        content = ImageFolder(files, trees, others, int(taken.timestamp()) * 10**9)
        mount = stack.enter_context(FuseMount(content, folder))
        notes += _mount_others(mount.folder, record, others)
        for note in notes:
            reporter.note(note)
        reporter.note(
            f"{record.id} of {record.board} is in {folder}. Press ctrl-C to end; it holds keys and passwords."
        )
        reporter.step(Step(f"showing the capture of {taken:%a %d %b %Y %H:%M}; ctrl-C ends it", 0, 0))
        with suppress(Interrupted):
            while mount.is_alive:
                stop.check()
                time.sleep(_LOOK_SECONDS)
    return {
        "capture": record.id, "board": record.board, "folder": str(folder), "segments_read": view.segments_read,
        "notes": notes,
    }  # fmt: skip


def end_browsing(folder: Path) -> dict[str, Any]:
    """Unmounts what a `browse` shows in `folder`, or left there when it was killed. Raises NotFound, BackupctlError."""
    real = folder.resolve()
    if not mounts_in(real):
        raise NotFound(f"no capture is shown in {folder}", "See: findmnt -t fuse.backupctl")
    unmount(real)
    return {"folder": str(folder), "ended": True}


def _content(
    view: CaptureView, record: CaptureRecord
) -> tuple[dict[str, ReadAt], dict[str, Any], list[str], list[str]]:
    """Files, file systems by folder, folders for those that only the kernel reads, and what is to be said."""
    if record.kind == "files":
        archive = open_archive(view)
        return {"archive.tar": view}, {"files": archive.tree}, [], list(archive.warnings)
    files: dict[str, ReadAt] = {"disk.img": view}
    problems: dict[int, str] = {}
    trees = {_name(volume.number): volume for volume in open_volumes(view, problems)}
    others = []
    for volume in record.layout.get("volumes") or ():
        number, kind = volume.get("partition") or 0, volume["kind"]
        if number:
            files[f"{_name(number)}.img"] = Window(view, volume["start"], volume["end"] - volume["start"])
        if kind in _KERNEL_OPTIONS and _name(number) not in trees and os.geteuid() == 0:
            others.append(_name(number))
            problems.pop(number, None)
    notes = [text for volume in trees.values() for text in volume.warnings]
    if view.unreadable:
        notes.append("the card could not be read everywhere: what is missing is zeros here")
    return files, {name: volume.tree for name, volume in trees.items()}, others, [*problems.values(), *notes]


def _name(number: int) -> str:
    return f"partition-{number}" if number else "files"


def _mount_others(folder: Path, record: CaptureRecord, names: list[str]) -> list[str]:
    """Has the kernel mount file systems that are not read here; what came of it where it could not."""
    notes = []
    for volume in record.layout.get("volumes") or ():
        name, kind = _name(volume.get("partition") or 0), volume["kind"]
        if name not in names:
            continue
        options = f"ro,loop,nosuid,nodev,noexec,{_KERNEL_OPTIONS[kind]}"
        image = folder / (f"{name}.img" if volume.get("partition") else "disk.img")
        try:
            run(["mount", "-t", kind, "-o", options, "--", image, folder / name], _MOUNT_SECONDS)
        except BackupctlError as error:
            notes.append(f"{name} ({kind}) cannot be mounted: {error.cause}")
    return notes


@contextmanager
def _empty(folder: Path) -> Iterator[None]:
    """An empty folder for as long as the block lasts: one that is there, or a new one that goes again."""
    is_new = not folder.is_dir()
    if is_new:
        if folder.exists() or not folder.parent.is_dir():
            raise Refused(f"{folder} is no folder, and cannot become one", "Name another one.")
        folder.mkdir(mode=0o700)
    elif any(folder.iterdir()):
        raise Refused(f"{folder} is not empty", "Name an empty folder, or one that is not there yet.")
    try:
        yield
    finally:
        if is_new:
            with suppress(OSError):
                folder.rmdir()
