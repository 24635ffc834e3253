"""What keeping captures costs: every byte on the share, in exactly one class.

The classes of segments, each stored segment with its padding: needed by one capture alone, by captures of one tier, by
captures of several tiers, or dead: needed by none, until the part that it stands in is removed or rewritten. All else
is overhead, by what it is for; `padding` are the heads of parts, and gaps in them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from itertools import accumulate
from pathlib import Path, PurePosixPath
from typing import Any

from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import Policy
from backupctl.domain.retention import Tier
from backupctl.domain.units import counted
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.retention_plan import plan_of
from backupctl.operations.keeping.survey import Survey, survey
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.share.captures import record_name
from backupctl.share.footprint import (
    CONTENTS,
    NOT_OURS,
    OVERHEAD_FILES,
    PART_FILE,
    RECORDS,
    STANDALONE,
    UNFINISHED,
    files_under,
    kind_of,
)
from backupctl.share.marks import SHARE_MARK, SHELF_MARK
from backupctl.share.shelf import Shelf, list_boards, open_shelf
from backupctl.share.storage import FolderStorage

ALONE, WITHIN, BETWEEN, DEAD = CLASSES = ("alone", "within_one_tier", "between_tiers", "dead")
PADDING, WITHOUT_TABLE = "padding", "parts_without_table"
OVERHEAD = (*OVERHEAD_FILES, PADDING, WITHOUT_TABLE, NOT_OURS)
UNUSABLE = "unusable"  # the tier of what is not in the plan, since it cannot be read or does not count
TIERS = (*(tier.value for tier in Tier), UNUSABLE)

Json = dict[str, Any]


def cost(share: Path, board: str | None, policy: Policy, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """The object that `cost --json` prints. Sizes are bytes; tiers are those of `policy`, now.

    `board`: only its shelf, and nothing else on the share. Raises BackupctlError, OSError.
    """
    problems: list[str] = []
    shelves = _shelves(share, board, problems)
    folder = share if board is None else shelves[0].path
    files: dict[Path, dict[str, int]] = {shelf.path: {} for shelf in shelves}
    beside: Counter[str] = Counter()
    total = 0
    for name, size in files_under(folder, problems.append):
        total += size
        path, within = _split(folder, name, files)
        if path is None:
            beside[kind_of(name) if name.startswith(SHARE_MARK) else NOT_OURS] += size
        else:
            files[path][within] = size
    boards = [_of_shelf(shelf, files[shelf.path], policy, facts, reporter, stop) for shelf in shelves]
    problems += [problem for item in boards for problem in item.pop("problems")]
    return {
        "share": str(share),
        "total_bytes": total,
        "free_bytes": FolderStorage(folder).free_bytes(),
        "policy": policy.name,
        "classes": {kind: sum(item["classes"][kind] for item in boards) for kind in CLASSES},
        "overhead": {kind: sum(item["overhead"][kind] for item in boards) + beside[kind] for kind in OVERHEAD},
        "boards": boards,
        "captures": [capture for item in boards for capture in item.pop("captures")],
        "problems": problems,
    }


def _shelves(share: Path, board: str | None, problems: list[str]) -> list[Shelf]:
    if board is not None or FolderStorage(share).size(SHELF_MARK) is not None:
        return [open_shelf(share, board)]
    shelves = []
    for name in list_boards(share):
        try:
            shelves.append(open_shelf(share, name))
        except BackupctlError as error:
            problems.append(f"{name}: {error.cause}; its files count as not ours")
    return shelves or [open_shelf(share, None)]


def _split(folder: Path, name: str, shelves: dict[Path, dict[str, int]]) -> tuple[Path | None, str]:
    """The shelf that a file is on, and its name there; None for what is beside the shelves."""
    if folder in shelves:
        return folder, name
    pieces = name.split("/", 2)
    shelf = folder / "/".join(pieces[:2])
    return (shelf, pieces[2]) if shelf in shelves and len(pieces) == 3 else (None, name)


def _of_shelf(
    shelf: Shelf, files: dict[str, int], policy: Policy, facts: Facts, reporter: Reporter, stop: Stop
) -> Json:
    captures, history = captures_of(shelf)
    verdicts = {verdict.id: verdict for verdict in plan_of(captures, history, policy.retention, facts).verdicts}
    found = survey(shelf, history, captures, reporter.note, each=step_by_step(reporter, stop))
    found.spans.index.close()
    problems = [f"{shelf.board}: {capture} cannot be used: {cause}" for capture, cause in captures.problems]
    problems += [
        f"{shelf.board}: what only {capture} needs counts as dead, since its contents cannot be read: {cause}"
        for capture, cause in found.unreadable
    ]
    if found.lost:
        lost = counted(sum(found.lost.values()), "segment")
        problems.append(f"{shelf.board}: {lost} that captures need are nowhere on the shelf; see `backupctl verify`")
    tiers = {id: verdicts[id].tier.value if id in verdicts else UNUSABLE for id in found.spans.captures}
    segments = StoredBytes(found, list(tiers.values()))
    classes, overhead, own = _account(files, segments, found)
    listed: list[Json] = [{"id": r.id, "started": r.started, "label": r.label} for r in captures.records]
    others = sorted((tiers.keys() | dict(found.unreadable).keys()) - verdicts.keys())
    listed += [{"id": id, "started": None, "label": None} for id in others]
    for item in listed:
        id = item["id"]
        item |= {
            "board": shelf.board,
            "tier": verdicts[id].tier.value if id in verdicts else UNUSABLE,
            "reasons": list(verdicts[id].reasons) if id in verdicts else [],
            "alone_bytes": segments.alone[id],
            "freed_now_bytes": segments.freed[id] + own[id],
            "own_files_bytes": own[id],
            "whole_bytes": segments.whole[id],
        }
    many = Counter(item["tier"] for item in listed)
    return {
        "board": shelf.board,
        "total_bytes": sum(files.values()),
        "classes": {kind: classes[kind] for kind in CLASSES},
        "overhead": {kind: overhead[kind] for kind in OVERHEAD},
        "tiers": [
            {"tier": tier, "captures": many[tier], "alone_bytes": segments.by_tier[tier]}
            for tier in TIERS
            if many[tier]
        ],
        "whole_images_bytes": sum(segments.whole.values()),
        "captures": listed,
        "problems": problems,
    }


class StoredBytes:
    """Of segments: `classes`, by part; `by_tier`, what only captures of one tier need.

    By capture: `alone`, what only it needs; `freed`, of parts that nothing else needs; `whole`, all that it refers to.
    """

    def __init__(self, found: Survey, tiers: Sequence[str]) -> None:
        """`tiers`: of the captures in `found.spans`."""
        self._tiers = tiers
        self._same_until = list(range(1, len(tiers) + 1))  # from a capture on, up to which one the tier is the same
        for number in reversed(range(len(tiers) - 1)):
            if tiers[number] == tiers[number + 1]:
                self._same_until[number] = self._same_until[number + 1]
        names = found.spans.captures
        self.classes = {part: Counter({DEAD: file.stored_bytes}) for part, file in found.files.items()}
        self.by_tier: Counter[str] = Counter()
        self.alone: Counter[str] = Counter()
        self.freed: Counter[str] = Counter()
        needed_by: dict[str, set[str]] = defaultdict(set)  # parts: by which captures alone; "" for any others
        changes = [0] * (len(tiers) + 1)  # of `whole`, from one capture to the next
        for (part, holding), held in found.held.items():
            runs = found.spans.runs(holding)
            kind, first = self._class_of(runs), runs[0][0]
            self.classes[part][kind] += held.stored_bytes
            self.classes[part][DEAD] -= held.stored_bytes
            needed_by[part].add(names[first] if kind == ALONE else "")
            if kind == ALONE:
                self.alone[names[first]] += held.stored_bytes
            if kind in (ALONE, WITHIN):
                self.by_tier[tiers[first]] += held.stored_bytes
            for start, end in runs:
                changes[start] += held.stored_bytes
                changes[end] -= held.stored_bytes
        self.whole = Counter(dict(zip(names, accumulate(changes), strict=False)))
        for part, captures in needed_by.items():
            if len(captures) == 1 and "" not in captures:
                self.freed[min(captures)] += found.files[part].bytes + found.files[part].table_bytes

    def _class_of(self, runs: Sequence[tuple[int, int]]) -> str:
        start, end = runs[0]
        if len(runs) == 1 and end == start + 1:
            return ALONE
        tier = self._tiers[start]
        same = all(self._tiers[start] == tier and self._same_until[start] >= end for start, end in runs)
        return WITHIN if same else BETWEEN


def _account(
    files: dict[str, int], segments: StoredBytes, found: Survey
) -> tuple[Counter[str], Counter[str], Counter[str]]:
    """The bytes of all files: by class of segments, by kind of overhead; and of its own files by capture."""
    classes: Counter[str] = Counter()
    overhead: Counter[str] = Counter()
    own: Counter[str] = Counter()
    for name, size in files.items():
        kind = kind_of(name)
        if kind == PART_FILE:
            part = PurePosixPath(name).stem
            stored = segments.classes.get(part, Counter())  # none of a part that came since
            rest = size - stored.total()
            if rest < 0:  # cut short since
                stored, rest = Counter(), size
            classes.update(stored)
            has_table = part in found.files and found.files[part].has_table
            overhead[PADDING if has_table else WITHOUT_TABLE] += rest
            continue
        if kind in (CONTENTS, RECORDS, STANDALONE):
            capture = name.split("/")[1]
            own[capture] += size
            if record_name(capture) not in files:
                kind = UNFINISHED
        overhead[kind] += size
    return classes, overhead, own
