"""Single files and folders out of a capture, without restoring it: reads what they need, and nothing else."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import KW_ONLY, asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

from backupctl.domain.errors import Damaged, Malformed, NotFound, Refused, UsageError
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.formats.file_tree import Node
from backupctl.formats.mounted_trees import Found, is_pattern
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.picked_folder import PickedFolder
from backupctl.operations.picking.picking import Picker, ShareGone
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.operations.restoring.restore import left_alone
from backupctl.share.shelf import Shelf

_CACHE_BYTES = 64 << 20
_MATCHES_MOST = 10_000
_CHUNK = 1 << 20


@dataclass(frozen=True)
class PickOptions:
    """What is wanted of which capture. `path`: as on the board; `target` None: the current folder."""

    capture: str | None
    as_of: datetime | None
    path: str
    target: Path | None
    _: KW_ONLY
    partition: int | None = None
    special: bool = False
    dry_run: bool = False


@dataclass(frozen=True)
class _Item:
    """One thing to be picked, and the name that it gets."""

    found: Found
    name: str


def pick(shelf: Shelf, options: PickOptions, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """Raises NotFound, UsageError, Refused, NoRoom; Malformed, Damaged for a single file that cannot be read."""
    with _opened(shelf, options, facts, reporter) as (record, view, files):
        items, notes = _wanted(files, options)
        folder, items = _placed(items, options.target, is_many=is_pattern(os.fsencode(options.path)))
        single = len(items) == 1 and items[0].found.node.kind != "folder"
        count, total = (1, _size(items[0].found.node, view)) if single else _look_through(files, items, reporter, stop)
        warnings = [
            text for volume in files.volumes for text in volume.warnings if _is_used(files, items, volume.number)
        ]
        result: dict[str, Any] = {
            "capture": record.id,
            "board": record.board,
            "taken": record.finished,
            "path": options.path,
            "folder": str(folder),
            "items": [
                {
                    "path": os.fsdecode(item.found.path),
                    "kind": item.found.node.kind,
                    "size": item.found.node.size if item.found.node.kind == "file" else None,
                    "modified_ns": item.found.node.modified_ns,
                    "partition": files.volume_of(item.found).number,
                    "target": str(folder / item.name),
                }
                for item in items
            ],
            "count": count,
            "total_bytes": total,
            "notes": notes,
            "warnings": warnings,
            "picked": None,
        }
        if not options.dry_run:
            is_root = hasattr(os, "geteuid") and os.geteuid() == 0
            picker = Picker(files, options.special, is_root, total, reporter, stop)
            try:
                with PickedFolder.existing(folder) as top:
                    for item in items:
                        picker.pick(item.found, top, item.name)
            except ShareGone as gone:
                raise gone.error from None
            result["picked"] = {**asdict(picker.result), "unset": dict(picker.result.unset)}
        result["segments_read"] = view.segments_read
        return result


def pour_out(shelf: Shelf, options: PickOptions, out: BinaryIO, facts: Facts, reporter: Reporter, stop: Stop) -> None:
    """Writes one file's bytes to `out`. Raises as `pick`, UsageError for what is no single file."""
    with _opened(shelf, options, facts, reporter) as (_, _, files):
        items, notes = _wanted(files, options)
        if len(items) != 1 or items[0].found.node.kind != "file":
            raise UsageError(
                f"{options.path} is not one file", "Only the content of one file can go to standard output."
            )
        for note in notes:
            reporter.note(note)
        found = items[0].found
        if files.unreadable(found):
            reporter.note("the card could not be read everywhere in this file: what is missing comes as zeros")
        if files.torn(found):
            reporter.note("the file went on changing while it was captured: its parts may not belong together")
        for offset in range(0, found.node.size, _CHUNK):
            stop.check()
            out.write(found.tree.read(found.node, offset, _CHUNK))
        out.flush()


@contextmanager
def _opened(
    shelf: Shelf, options: PickOptions, facts: Facts, reporter: Reporter
) -> Iterator[tuple[CaptureRecord, CaptureView, CapturedFiles]]:
    captures, history = captures_of(shelf)
    record = find_capture(captures, options.capture, options.as_of)
    with left_alone(shelf, record, facts), open_files(shelf, history, record, options.partition, reporter) as files:
        yield record, files.view, files


@contextmanager
def open_files(
    shelf: Shelf, history: History, record: CaptureRecord, partition: int | None, reporter: Reporter
) -> Iterator[CapturedFiles]:
    """A capture's files for as long as the block lasts."""
    with CaptureView(shelf, history, record, reporter.note, _CACHE_BYTES) as view:
        yield CapturedFiles(view, partition)


def _wanted(files: CapturedFiles, options: PickOptions) -> tuple[list[_Item], list[str]]:
    """What the path stands for, and what a person should know about it."""
    path = os.fsencode(options.path)
    try:
        named = files.find(path, follow=False)
    except NotFound:
        if not is_pattern(path):
            raise
        return _matches(files, path), []
    name = os.fsdecode(named.name) or files.view.record.board
    if named.node.kind != "link":
        return [_Item(named, name)], []
    target = os.fsdecode(named.tree.target(named.node))
    try:
        found = files.find(path)
    except NotFound:
        return [_Item(named, name)], [f"{options.path} is a link to {target}, which leads to nothing in the capture"]
    return [_Item(found, name)], [f"{options.path} is a link to {target}: you get what it leads to"]


def _matches(files: CapturedFiles, pattern: bytes) -> list[_Item]:
    items: dict[str, _Item] = {}
    taken: set[bytes] = set()
    for found in files.trees.matching(pattern):
        if {folder.path for folder in (*found.parents, found)} & taken:
            continue  # found twice, or comes with a folder that matches
        name = os.fsdecode(found.name)
        if name in items:
            raise UsageError(
                f"{os.fsdecode(items[name].found.path)} and {os.fsdecode(found.path)} would both become {name}",
                "Pick them one after the other, or the folder that they are in.",
            )
        items[name] = _Item(found, name)
        taken.add(found.path)
        if len(items) > _MATCHES_MOST:
            raise UsageError(f"more than {_MATCHES_MOST} files match", "Pick a folder instead.")
    if not items:
        raise NotFound(f"nothing matches {os.fsdecode(pattern)}", "\n".join(files.problems.values()))
    return list(items.values())


def _placed(items: list[_Item], target: Path | None, is_many: bool) -> tuple[Path, list[_Item]]:
    """The folder that is there already, and the items with the names that they get in it. Raises Refused."""
    folder = target or Path()
    if target is not None and not target.is_dir():
        if target.is_symlink() or target.exists():
            raise Refused(
                f"{target} exists already", "Nothing is overwritten. Choose another name, or remove it yourself."
            )
        if (is_many and len(items) > 1) or not target.parent.is_dir():
            missing = target if target.parent.is_dir() else target.parent
            raise Refused(f"there is no folder {missing}", "Make it first.")
        folder, items = target.parent, [_Item(items[0].found, target.name)]
    for item in items:
        path = folder / item.name
        if os.path.lexists(path):
            raise Refused(
                f"{path} exists already", "Nothing is overwritten. Name another folder, or remove it yourself."
            )
    return folder, items


def _size(node: Node, view: CaptureView) -> int:
    """Bytes that are likely to be read: a file can be larger than the card only by its holes."""
    return min(node.size, view.size) if node.kind == "file" else 0


def _look_through(files: CapturedFiles, items: list[_Item], reporter: Reporter, stop: Stop) -> tuple[int, int]:
    """How many files, folders and others there are, and how many bytes. What cannot be read is passed over here."""
    count = total = 0
    seen: set[tuple[int, int]] = set()
    waiting = [item.found for item in items]
    while waiting:
        stop.check()
        found = waiting.pop()
        count += 1
        node, key = found.node, (id(found.tree), found.node.number)
        if node.kind != "folder":
            if node.links == 1 or key not in seen:
                total += _size(node, files.view)
            if node.links > 1:
                seen.add(key)
            continue
        if key in seen:
            continue
        seen.add(key)
        reporter.step(Step("looking through the folders", 0, 0))
        try:
            for name, number in files.trees.names(found):
                try:
                    waiting.append(files.trees.entered(found, name, number))
                except (Malformed, Damaged):
                    continue
        except (Malformed, Damaged):
            continue
    return count, total


def _is_used(files: CapturedFiles, items: list[_Item], number: int) -> bool:
    return any(files.volume_of(item.found).number == number for item in items)
