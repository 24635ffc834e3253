"""Bringing a capture back: onto a card, or into a file that holds the same bytes.

Restoring to a file needs nothing that only Linux has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from backupctl.domain.errors import BackupctlError, NotFound, Refused
from backupctl.domain.events import History
from backupctl.domain.record import GOOD, CaptureRecord
from backupctl.domain.segments import SEGMENTS_AT_ONCE
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.image_file import named_file, too_little_room
from backupctl.operations.restoring.stitching import SegmentReader, Stretch, check_digest, stream_of
from backupctl.operations.session import Session
from backupctl.share.captures import record_name
from backupctl.share.readers import reading
from backupctl.share.shelf import Shelf

_WORKERS = 2


class Target(Protocol):
    """Where the bytes of a card go; `write` and `zero` are called by several threads."""

    def write(self, offset: int, data: bytes) -> None: ...

    def zero(self, offset: int, length: int) -> None: ...

    def free(self, offset: int, length: int) -> None:
        """What stands there does not matter."""
        ...


@dataclass(frozen=True)
class RestorePlan:
    """What a restore would do; `--dry-run` shows it."""

    capture: str
    board: str
    kind: str
    taken: str
    state: str
    label: str | None
    age: str
    stream_bytes: int
    in_use_bytes: int
    target: str
    target_is_card: bool
    target_bytes: int | None = None
    target_description: str = ""
    target_contents: tuple[str, ...] = ()
    will_hold: tuple[str, ...] = ()
    erased: str = ""  # what of the target will be lost, where that is not all of it
    changes: tuple[str, ...] = ()  # what will be other than in the capture, in words
    warnings: tuple[str, ...] = ()


def plan_file(
    record: CaptureRecord, history: History, target: Path, now: datetime, changes: tuple[str, ...] = (),
    warnings: tuple[str, ...] = (),
) -> RestorePlan:  # fmt: skip
    """For a file. Raises Refused if it exists or its folder does not."""
    if target.exists() or target.is_symlink():
        raise Refused(f"{target} exists already", "Nothing is overwritten. Choose another name, or remove it yourself.")
    if _is_among_devices(target.parent):
        raise Refused(f"there is no device {target}", "See `backupctl cards`. A file in this place would be in memory.")
    if not target.parent.is_dir():
        raise Refused(f"there is no folder {target.parent}", "Make it first.")
    said = said_of(record, history, now)
    said["warnings"] += warnings
    return RestorePlan(**said, target=str(target), target_is_card=False, changes=changes)


def _is_among_devices(folder: Path) -> bool:
    """Whether files there would be none, or in memory: hier(7) on /dev, /proc and /sys. A device may have gone."""
    real = folder.resolve()
    return any(real.is_relative_to(place) for place in ("/dev", "/proc", "/sys"))


def said_of(record: CaptureRecord, history: History, now: datetime) -> dict[str, Any]:
    """The part of a plan that tells of the capture."""
    warnings = []
    if record.state != GOOD:
        warnings.append("the card could not be read everywhere when this was taken: what is missing stands as zeros")
    if record.id in history.damaged_captures:
        warnings.append("segments of this capture are damaged on the share: the restore will stop at the first")
    if record.left_out:
        warnings.append(f"the contents of partition {', '.join(map(str, record.left_out))} were left out")
    age = now - datetime.fromisoformat(record.finished)
    return {
        "capture": record.id, "board": record.board, "kind": record.kind, "taken": record.finished,
        "state": record.state, "label": record.label, "age": f"{age.days} days" if age.days else "less than a day",
        "stream_bytes": record.stream_bytes, "in_use_bytes": record.in_use_bytes, "warnings": tuple(warnings),
    }  # fmt: skip


def restore_to_file(
    shelf: Shelf, name: str | None, as_of: datetime | None, target: Path, dry_run: bool, facts: Facts,
    reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes the card's bytes beside `target`, syncs, and names it; free space is holes. Raises Refused, Damaged."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of)
    narrow = too_little_room(target, record.in_use_bytes)
    plan = plan_file(record, history, target, facts.now(), warnings=narrow)
    if dry_run:
        return {"plan": asdict(plan), "restored": False}
    for text in narrow:
        reporter.note(text)
    with left_alone(shelf, record, facts), named_file(target, record.stream_bytes) as file:
        pour(shelf, history, record, file, lambda _: False, reporter, stop)
    tell(shelf, facts, reporter, "restored", {"capture": record.id, "target": str(target), "board": record.board})
    return {"plan": asdict(plan), "restored": True}


@contextmanager
def left_alone(shelf: Shelf, record: CaptureRecord, facts: Facts, doing: str = "restore") -> Iterator[None]:
    """Nobody removes what the capture needs for as long as the block lasts. Raises NotFound if somebody just has."""
    with reading(shelf.storage, facts.claim(f"{doing} of {record.id}"), record.id):
        if shelf.storage.size(record_name(record.id)) is None:
            raise NotFound(f"{record.id} has just been removed", "See `backupctl list`.")
        yield


def pour(
    shelf: Shelf,
    history: History,
    record: CaptureRecord,
    target: Target,
    later: Callable[[Stretch], bool],
    reporter: Reporter,
    stop: Stop,
    wanted: Callable[[Stretch], bool] | None = None,
    doing: str = "writing",
) -> list[tuple[Stretch, bytes]]:
    """Writes a capture's stream to `target`, except the stretches for which `later` says so: those are returned.

    Only what is `wanted` is read at all, and what lies between is free then. `doing`: for the progress.

    Raises Damaged, OSError of either side.
    """
    stream_bytes, index, stretches = stream_of(shelf, history, record.id, reporter.note)
    kept: list[tuple[Stretch, bytes]] = []
    end = 0
    with closing(index), SegmentReader(shelf, history) as reader:
        check_digest(shelf, record, index)

        def move(stretch: Stretch) -> tuple[Stretch, bytes | None]:
            entry = stretch.entry
            content = reader.read(stretch.place, entry.hash) if stretch.place else None
            if later(stretch):
                return stretch, content or bytes(entry.length)
            if content is None:
                target.zero(entry.offset, entry.length)
            else:
                target.write(entry.offset, content)
            return stretch, None

        for stretch, content in in_order(
            filter(wanted, stretches) if wanted else stretches, move, _WORKERS, SEGMENTS_AT_ONCE
        ):
            stop.check()
            if content is not None:
                kept.append((stretch, content))
            if stretch.entry.offset > end:
                target.free(end, stretch.entry.offset - end)
            end = stretch.entry.offset + stretch.entry.length
            reporter.step(Step(doing, end, stream_bytes))
    if end < stream_bytes:
        target.free(end, stream_bytes - end)
    return kept


def tell(shelf: Shelf, facts: Facts, reporter: Reporter, kind: str, body: dict[str, Any]) -> None:
    """The manifest's event; a share that cannot be written (a rescue computer, a read-only account) is no failure."""
    try:
        Session(shelf, facts, reporter).event(kind, body)
    except (BackupctlError, OSError) as error:
        reporter.note(f"the manifest does not know of this restore: {error}")
