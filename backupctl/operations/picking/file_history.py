"""One file, or folder, in all captures of a board: where it is, and between which two it changed."""

from __future__ import annotations

import difflib
import hashlib
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

from backupctl.domain.errors import BackupctlError, NotFound, UsageError
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.formats.mounted_trees import Found, is_pattern
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.pick import open_files
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.share.readers import reading
from backupctl.share.shelf import Shelf

_COMPARED_MOST = 64 << 20  # of a larger file only size, time, owner and mode are compared
_TEXT_MOST = 1 << 20
_DIFF_MOST = 2000  # lines
_CHUNK = 1 << 20
_NAMES_MOST = 20_000  # below a folder


class _TooManyNames(UsageError):
    """A folder with more below it than can be compared."""


@dataclass(frozen=True)
class Version:
    """The file in one capture. `kind` None: it is not there; `problem`: why nothing is known."""

    capture: str
    taken: str
    label: str | None
    lane: str  # see CaptureRecord: only captures of one are compared
    problem: str | None = None
    kind: str | None = None
    size: int = 0
    modified_ns: int = 0
    mode: int = 0
    user: int = 0
    group: int = 0
    sha256: str = ""  # of the content; of a link, its target; of a folder, what is below; "" where it was not read
    has_zeros: bool = False  # the card could not be read everywhere in it

    @property
    def state(self) -> tuple[object, ...]:
        """What has to be the same for the file to be the same."""
        content = self.sha256 or self.modified_ns
        return self.kind, self.size, content, self.mode, self.user, self.group


def file_history(
    shelf: Shelf, path: str, partition: int | None, facts: Facts, reporter: Reporter, stop: Stop
) -> dict[str, Any]:
    """Raises NotFound where no capture has the file, UsageError for what is too much; OSError of the share."""
    captures, history = captures_of(shelf)
    records = captures.records
    versions: list[Version] = []
    texts: dict[str, bytes] = {}  # by SHA-256: the contents that could be text
    with reading(shelf.storage, facts.claim(f"history of {path}"), None):
        for number, record in enumerate(records):
            stop.check()
            reporter.step(Step(f"looking into capture {number + 1} of {len(records)}", 0, 0))
            versions.append(_version(shelf, history, record, path, partition, texts, reporter))
    if not any(version.kind for version in versions):
        if is_pattern(os.fsencode(path)):
            raise UsageError(f"no file is called {path}, and a pattern is not taken here", "Name one file or folder.")
        problems = [f"{version.capture}: {version.problem}" for version in versions if version.problem]
        raise NotFound(f"{path} is in none of {len(records)} captures", "\n".join(problems[-3:]))
    # A capture of a folder may have nothing to do with the path, though the card's has it.
    lanes = {version.lane for version in versions if version.kind}
    versions = [version for version in versions if version.problem or version.lane in lanes]
    changes = [
        _change(before, after, texts)
        for lane in sorted(lanes)
        for before, after in pairwise(version for version in versions if version.lane == lane and not version.problem)
        if before.state != after.state
    ]
    return {
        "board": shelf.board,
        "path": path,
        "versions": [asdict(version) for version in versions],
        "changes": changes,
    }


def _version(
    shelf: Shelf, history: History, record: CaptureRecord, path: str, partition: int | None, texts: dict[str, bytes],
    reporter: Reporter,
) -> Version:  # fmt: skip
    said = (record.id, record.finished, record.label, record.lane)
    try:
        with open_files(shelf, history, record, partition, reporter) as files:
            try:
                found = files.find(os.fsencode(path), follow=False)
            except NotFound:
                return Version(*said)
            node = found.node
            return Version(
                *said, None, node.kind, node.size if node.kind == "file" else 0, node.modified_ns, node.mode,
                node.user, node.group, _sum(files, found, texts), files.unreadable(found),
            )  # fmt: skip
    except _TooManyNames:
        raise
    except BackupctlError as error:
        return Version(*said, problem=error.cause)


def _sum(files: CapturedFiles, found: Found, texts: dict[str, bytes]) -> str:
    node, tree = found.node, found.tree
    if node.kind == "link":
        content = tree.target(node)
    elif node.kind == "folder":
        content = _listing(files, found)
    elif node.kind != "file" or node.size > _COMPARED_MOST:
        return ""
    elif node.size > _TEXT_MOST:
        digest = hashlib.sha256()
        for offset in range(0, node.size, _CHUNK):
            digest.update(tree.read(node, offset, _CHUNK))
        return digest.hexdigest()
    else:
        content = tree.read(node, 0, node.size)
    found_sum = hashlib.sha256(content).hexdigest()
    texts[found_sum] = content
    return found_sum


def _listing(files: CapturedFiles, folder: Found) -> bytes:
    """A line for each name below a folder, with what is told of it without being read. Raises Malformed, OSError."""
    lines = []
    seen = set[tuple[int, int]]()  # a damaged folder may be in itself
    waiting = [(b"", folder)]
    while waiting:
        before, at = waiting.pop()
        key = (id(at.tree), at.node.number)
        if key in seen:
            continue
        seen.add(key)
        for name, number in files.trees.names(at):
            found = files.trees.entered(at, name, number)
            path, node = before + name, found.node
            told = [os.fsdecode(path), node.kind, f"{node.mode:04o} {node.user}:{node.group}"]
            if node.kind == "folder":
                waiting.append((path + b"/", found))
            else:
                told += [f"{node.size} bytes", _time(node.modified_ns)]
            lines.append("  ".join(told))
            if len(lines) > _NAMES_MOST:
                raise _TooManyNames(
                    f"{os.fsdecode(folder.path)} has more than {_NAMES_MOST} names below it", "Name a smaller folder."
                )
    # A name may hold a line feed.
    return "\n".join(line.replace("\n", "?") for line in sorted(lines)).encode(errors="replace")


def _time(nanoseconds: int) -> str:
    try:
        return f"{datetime.fromtimestamp(nanoseconds // 10**9, UTC):%Y-%m-%dT%H:%M:%SZ}"
    except (ValueError, OverflowError, OSError):
        return "at no time"


def _change(before: Version, after: Version, texts: dict[str, bytes]) -> dict[str, Any]:
    if before.kind is None or after.kind is None:
        return _told(before, after, ["appeared" if before.kind is None else "vanished"], None)
    what = []
    if before.kind != after.kind:
        what.append(f"{before.kind} became {after.kind}")
    if (before.size, before.sha256) != (after.size, after.sha256) or not after.sha256:
        what.append("content" if after.sha256 or before.size != after.size else "time")
    what += ["permissions"] if before.mode != after.mode else []
    what += ["owner"] if (before.user, before.group) != (after.user, after.group) else []
    diff = None
    if before.sha256 != after.sha256:
        around = 0 if "folder" in (before.kind, after.kind) else 3  # lines; a listing's neighbours say nothing
        diff = _difference(texts.get(before.sha256), texts.get(after.sha256), before.taken, after.taken, around)
    return _told(before, after, what, diff)


def _told(before: Version, after: Version, what: Sequence[str], diff: list[str] | None) -> dict[str, Any]:
    """`diff`: lines in the unified format of diff(1); None where it is no text, or too large."""
    return {"before": before.capture, "after": after.capture, "what": list(what), "diff": diff}


def _difference(old: bytes | None, new: bytes | None, before: str, after: str, around: int) -> list[str] | None:
    if old is None or new is None or b"\0" in old or b"\0" in new:
        return None
    try:
        old_lines, new_lines = (content.decode().splitlines() for content in (old, new))
    except UnicodeDecodeError:
        return None
    found = list(difflib.unified_diff(old_lines, new_lines, before, after, n=around, lineterm=""))
    return found[:_DIFF_MOST]
