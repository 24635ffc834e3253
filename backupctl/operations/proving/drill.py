"""A drill: a capture is rebuilt in scratch space, and looked at as a board would that boots from it.

Nothing of the share is altered, but that the manifest is told what came of it.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import KW_ONLY, asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.scratch import ScratchFile, room
from backupctl.domain.card_map import CardMap, CardVolume
from backupctl.domain.drill import Finding, Outcome, Verdict, verdict_of
from backupctl.domain.errors import BackupctlError, Damaged, Malformed, NotFound, Refused
from backupctl.domain.events import History
from backupctl.domain.files_policy import FILES
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, CaptureRecord
from backupctl.domain.scratch import SCRATCH_FOLDER
from backupctl.domain.units import counted, size
from backupctl.formats.ext4_files import Ext4Tree
from backupctl.formats.fat_files import FatTree
from backupctl.formats.file_tree import FileTree
from backupctl.formats.partition_table import SECTOR_SIZES, read_partition_table
from backupctl.formats.reader import ReadAt, Window
from backupctl.operations.card_map import read_card_map
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, makes_a_card
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.proving.boot_check import check_boot
from backupctl.operations.proving.kernel_check import BoardFacts
from backupctl.operations.proving.named_volumes import NamedVolume, named
from backupctl.operations.proving.volume_check import check_volume, need_checkers
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.operations.restoring.captured_layout import card_size_of, sector_size_of
from backupctl.operations.restoring.card_making import Wishes
from backupctl.operations.restoring.restore import Target, left_alone, pour
from backupctl.operations.restoring.scratch_image import Stand, Stands
from backupctl.operations.session import Session
from backupctl.share.captures import Captures
from backupctl.share.shelf import Shelf

Json = dict[str, Any]

# What none of this can tell.
UNPROVEN = "whether the board boots: only booting it proves that"
_LEFT = 256 << 20  # bytes that are left to everybody else
_TOLD_MOST = 500  # characters of a finding that the manifest keeps
_BEYOND = 0.02  # of what is in use: segments reach over its edges, and a file system keeps account of what it holds


@dataclass(frozen=True)
class DrillOptions:
    """`capture` and `as_of` None: see `capture_to_drill`. `scratch`: a folder."""

    capture: str | None = None
    as_of: datetime | None = None
    _: KW_ONLY
    scratch: Path = Path(SCRATCH_FOLDER)
    dry_run: bool = False


@dataclass(frozen=True)
class DrillPlan:
    """What a drill would do; `--dry-run` shows it. `rebuilds`: whether there is room for that; bytes."""

    capture: str
    board: str
    taken: str
    label: str | None
    scratch: str
    needed_bytes: int
    room_bytes: int

    @property
    def rebuilds(self) -> bool:
        return self.room_bytes >= self.needed_bytes


def capture_to_drill(captures: Captures, history: History) -> CaptureRecord:
    """The newest good one that has not passed a drill; if all have, the newest. Raises NotFound, Refused.

    One that is damaged on the share is known to fail, and says nothing of the card.
    """
    images = [record for record in captures.records if record.makes_a_card]
    whole = [record for record in images if record.id not in history.damaged_captures]
    if not images:
        raise NotFound("there is no capture of a card yet", "Take one: backupctl capture")
    if not whole:
        raise Refused("every capture is damaged on the share", "See `backupctl list`; the next capture may heal them.")
    good = [record for record in whole if record.id in captures.good]
    waiting = [record for record in good if record.id not in history.drilled]
    return (waiting or good or whole)[-1]


def drill(shelf: Shelf, options: DrillOptions, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """The object that `drill --json` prints.

    Raises Refused (no checkers, no such scratch folder), NotFound; damage is a finding, and no exception.
    """
    captures, history = captures_of(shelf)
    named_one = options.capture is not None or options.as_of is not None
    record = (
        find_capture(captures, options.capture, options.as_of, makes_a_card)
        if named_one
        else capture_to_drill(captures, history)
    )
    if not record.makes_a_card:
        raise Refused(f"{record.id} is of some folders, from which no board boots", "Drill a capture of its card.")
    plan = _plan(record, options)
    if options.dry_run:
        return {"plan": asdict(plan) | {"rebuilds": plan.rebuilds}, "board": shelf.board, "drilled": False}
    began = time.monotonic()
    with left_alone(shelf, record, facts, "drill"):
        run = _Drill(shelf, history, record, reporter, stop)
        if record.kind == FILES:
            findings = run.made_of_files(plan) if plan.rebuilds else run.read_only(plan)
        else:
            findings = run.rebuilt(plan) if plan.rebuilds else run.through_view(plan)
    verdict = verdict_of(findings)
    passed = {Verdict.PASSED: True, Verdict.FAILED: False}.get(verdict)
    by_outcome = {
        outcome: [f"{found.name}: {found.detail}"[:_TOLD_MOST] for found in findings if found.outcome is outcome]
        for outcome in Outcome
    }
    event: Json = {
        "capture": record.id, "passed": passed, "verdict": verdict.value, "wrong": by_outcome[Outcome.WRONG],
        "warnings": by_outcome[Outcome.WARNING], "not_checked": by_outcome[Outcome.NOT_CHECKED],
    }  # fmt: skip
    _tell(shelf, facts, reporter, event)
    return {
        "board": shelf.board,
        **event,
        "not_checked": [*event["not_checked"], UNPROVEN],
        "taken": record.finished,
        "label": record.label,
        "findings": [asdict(found) for found in findings],
        "plan": asdict(plan) | {"rebuilds": plan.rebuilds},
        "seconds": round(time.monotonic() - began, 2),
        "drilled": True,
    }


def _plan(record: CaptureRecord, options: DrillOptions) -> DrillPlan:
    needed = int(record.in_use_bytes * (1 + _BEYOND))
    there = _room_in(options.scratch)
    plan = DrillPlan(record.id, record.board, record.finished, record.label, str(options.scratch), needed, there)
    if plan.rebuilds:
        volumes = record.layout.get("volumes")
        kinds = (
            [volume.get("kind") for volume in volumes if isinstance(volume, dict)] if isinstance(volumes, list) else []
        )
        need_checkers(str(kind) for kind in kinds)
    return plan


def _room_in(folder: Path) -> int:
    if not folder.is_dir():
        raise Refused(f"there is no folder {folder} for scratch files", "Name another folder: --scratch DIR.")
    return max(0, room(folder) - _LEFT)


def _narrow(plan: DrillPlan) -> str:
    left = f"room for {size(plan.room_bytes)}" if plan.room_bytes else "no room"
    kept = f"beside {size(_LEFT)} that stay free"
    return f"{plan.scratch} has {left} {kept}, and the capture takes {size(plan.needed_bytes)}"


def _tell(shelf: Shelf, facts: Facts, reporter: Reporter, body: Json) -> None:
    """A share that cannot be written (a rescue computer, a read-only account) is no failure of the drill."""
    try:
        Session(shelf, facts, reporter).event("drilled", body)
    except (BackupctlError, OSError) as error:
        reporter.note(f"the manifest does not know of this drill: {error}")


@dataclass(frozen=True)
class _Drill:
    """One drill under way."""

    shelf: Shelf
    history: History
    record: CaptureRecord
    reporter: Reporter
    stop: Stop

    @property
    def _sector_size(self) -> int | None:
        told = self.record.source.get("sector_size")
        return told if told in SECTOR_SIZES else None

    def rebuilt(self, plan: DrillPlan) -> list[Finding]:
        """In scratch files, one for each volume: so that each checker finds what it expects, and may alter it."""
        self.reporter.note(f"The capture is rebuilt in {plan.scratch}, which takes up to {size(plan.needed_bytes)}.")
        self.reporter.note("Files there have no names, hold keys and passwords, and are gone afterwards.")
        try:
            with CaptureView(self.shelf, self.history, self.record, self.reporter.note) as view:
                spans = self._spans(view)
                segments = view.segments
        except (Damaged, Malformed) as error:
            return [_damaged(error)]
        with ExitStack() as stack:
            files: dict[tuple[int, int], ScratchFile] = {}
            for start, end in dict.fromkeys([*spans, (0, self.record.stream_bytes)]):
                files[start, end] = ScratchFile(Path(plan.scratch), end - start)
                stack.callback(files[start, end].close)
            card = _split(self.record.stream_bytes, spans, files)
            fault = self._pour(card)
            if fault:
                return [fault]
            mapped = read_card_map(card, self._sector_size, self.record.left_out)
            found = [_intact(segments), *self._of_card(), *_of_table(mapped)]
            for volume in mapped.volumes:
                self.stop.check()
                self.reporter.step(Step(f"checking {_name(volume)}", 0, 0))
                found.append(check_volume(volume, files[volume.start, volume.end].path))
            return found + self._boot(card, mapped)

    def through_view(self, plan: DrillPlan) -> list[Finding]:
        """Without scratch space: file systems are not checked."""
        self.reporter.note(
            f"{_narrow(plan)}: it is read from the share, and its file systems are not checked. --scratch DIR names "
            "another folder."
        )
        fault = self._pour(_Nowhere())
        if fault:
            return [fault]
        try:
            with CaptureView(self.shelf, self.history, self.record, self.reporter.note) as view:
                mapped = read_card_map(view, self._sector_size, self.record.left_out)
                found = [_intact(view.segments), *self._of_card(), *_of_table(mapped)]
                why = "there was too little scratch space for it"
                found += [Finding(_name(volume), Outcome.NOT_CHECKED, why) for volume in mapped.volumes]
                return found + self._boot(view, mapped)
        except Damaged as error:
            return [_damaged(error)]

    def made_of_files(self, plan: DrillPlan) -> list[Finding]:
        """A card is made of them in scratch files, as a restore does."""
        from backupctl.operations.restoring.preparing_files import prepared_files

        wishes = Wishes(card_size_of(self.record), sector_size_of(self.record))
        folder = Path(plan.scratch)
        try:
            with prepared_files(
                self.shelf, self.history, self.record, wishes, None, False, folder, self.reporter, self.stop
            ) as made:
                mapped, picked = made.source.card_map, made.picked or {}
                there = f"{counted(picked['files'], 'file')} unpacked, their segments as their hashes say"
                outcome = Outcome.WRONG if picked["lost_count"] else Outcome.WELL
                found = [Finding("files", outcome, there), *_of_table(mapped)]
                found += [Finding("files", Outcome.WARNING, text) for text in made.warnings]
                for volume in mapped.volumes:
                    number = volume.partition.number if volume.partition else 0
                    self.reporter.step(Step(f"checking {_name(volume)}", 0, 0))
                    found.append(check_volume(volume, made.files[number].path))
                return found + self._boot(made.source.image, mapped)
        except (Damaged, Malformed) as error:
            return [_damaged(error)]

    def read_only(self, plan: DrillPlan) -> list[Finding]:
        """Without scratch space no card can be made of files."""
        fault = self._pour(_Nowhere())
        return [fault or Finding("card", Outcome.NOT_CHECKED, f"none was made of the files: {_narrow(plan)}")]

    def _spans(self, view: ReadAt) -> list[tuple[int, int]]:
        """Of the card's volumes, as `read_card_map` will have them."""
        try:
            table = read_partition_table(view, self._sector_size)
        except Malformed:
            return []
        return [(part.start, part.end) for part in table.partitions] if table else [(0, view.size)]

    def _pour(self, target: Target) -> Finding | None:
        """Reads every segment, each of which is checked against its hash."""
        try:
            pour(self.shelf, self.history, self.record, target, lambda _: False, self.reporter, self.stop)
        except (Damaged, Malformed) as error:
            return _damaged(error)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            # The share is only read.
            raise BackupctlError("the scratch files ran out of room", "Name another folder: --scratch DIR.") from error
        return None

    def _of_card(self) -> Iterator[Finding]:
        if self.record.state != GOOD:
            lost = sum(end - start for start, end in self.record.unreadable)
            yield Finding("card", Outcome.WARNING, f"{size(lost)} could not be read from it, and stand as zeros")

    def _boot(self, card: ReadAt, mapped: CardMap) -> list[Finding]:
        self.reporter.step(Step("looking for what a board needs to boot", 0, 0))
        source = self.record.source
        volumes = [_with_files(card, volume) for volume in mapped.volumes]
        return check_boot(volumes, BoardFacts.of_source(source), str(source.get("path")), self.record.kind == FILES)


def _split(size: int, spans: list[tuple[int, int]], files: Mapping[tuple[int, int], ScratchFile]) -> Stands:
    """A card whose volumes stand in files of their own; what is between them in the file of the whole card."""
    volumes = [Stand(*span, files[span], 0) for span in spans]
    whole = files[0, size]
    between = Ranges(spans).inverted(0, size)
    return Stands(size, [*volumes, *(Stand(start, end, whole, start) for start, end in between)])


class _Nowhere:
    """A `Target` that keeps nothing."""

    def write(self, offset: int, data: bytes) -> None: ...

    def zero(self, offset: int, length: int) -> None: ...

    def free(self, offset: int, length: int) -> None: ...


def _name(volume: CardVolume) -> str:
    return (
        f"partition {volume.partition.number} ({volume.map.kind})"
        if volume.partition
        else f"the card ({volume.map.kind})"
    )


def _with_files(card: ReadAt, volume: CardVolume) -> NamedVolume:
    window = Window(card, volume.start, volume.end - volume.start)
    tree: FileTree | None = None
    try:
        if volume.map.kind.startswith("ext"):
            tree = Ext4Tree(window)
        elif volume.map.kind.startswith("fat"):
            tree = FatTree(window)
    except Malformed:
        pass  # its checker has said what is wrong; or it is of a kind that is not read here
    return named(volume, tree)


def _intact(segments: int) -> Finding:
    return Finding("segments", Outcome.WELL, f"{counted(segments, 'segment')} read, each as its hash says")


def _damaged(error: BackupctlError) -> Finding:
    return Finding("segments", Outcome.WRONG, error.cause)


def _of_table(card: CardMap) -> list[Finding]:
    table = card.table
    if table is None:
        told = [text for text in card.warnings if text.startswith("the partition table")]
        if told:
            return [Finding("partition table", Outcome.WRONG, told[0])]
        return [Finding("partition table", Outcome.WELL, "there is none: one volume is the whole card")]
    there = counted(len(table.partitions), "partition")
    outcome = Outcome.WARNING if table.warnings else Outcome.WELL
    return [Finding("partition table", outcome, "; ".join([f"{table.scheme.upper()}, {there}", *table.warnings]))]
