"""Removing captures from a shelf that is held, and what nothing needs any more: in the order of `share/trash.py`."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

from backupctl.domain.errors import BackupctlError, Interrupted
from backupctl.domain.events import History
from backupctl.domain.freed import is_kept
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.policy import Policy
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import Place
from backupctl.domain.units import size
from backupctl.operations.keeping.rewriting import Rewriting, rewrite
from backupctl.operations.keeping.survey import PartFile, Survey, survey
from backupctl.operations.progress import Step, Stop, step_by_step
from backupctl.operations.session import HeldSession, share_failed
from backupctl.share.ballast import make_ballast_again
from backupctl.share.captures import Captures, read_record, record_name
from backupctl.share.parts import part_name
from backupctl.share.readers import Readers, readers_now
from backupctl.share.server_clock import FOLDER as PROBES
from backupctl.share.shelf import Shelf
from backupctl.share.spans import NOBODY
from backupctl.share.storage import Storage
from backupctl.share.tables import table_name
from backupctl.share.trash import FULL, Grace, Tray, bring_back, bytes_held, empty, parts_holding

NOT_COUNTED = "its run's lock had been taken over when it was committed, and it does not count"
_CUT_SHORT = (
    "Some of what was to go may have gone. Nothing was touched that a capture needs which is still listed, and the "
    "next thinning finishes this one."
)
_SETTLES_SECONDS = 5.0  # some servers give room back a little later
_SCRAP_SECONDS = 3600.0  # a small file has its name within that, or never


@dataclass
class Removal:
    """What came of it. Bytes: `trashed` went to the trash; files of `expected` left it, and the share has `freed` more;
    `in_trash` lie there now.

    `waits`: why something stays although nothing may need it; `problems`: the same, where somebody has to see to it.
    """

    trashed_bytes: int = 0
    expected_bytes: int = 0
    freed_bytes: int = 0
    in_trash_bytes: int = 0
    brought_back: tuple[str, ...] = ()
    waits: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    rewriting: Rewriting = field(default_factory=Rewriting)


def remove(
    session: HeldSession,
    known: Captures,
    captures: Mapping[str, str],
    by: str,
    policy: Policy | None,
    grace: Grace,
    traffic: int,
    stop: Stop,
) -> Removal:
    """Removes captures, each for the reason that stands beside it, and finishes what earlier removals left undone.

    `known`: all that are on the shelf. `by`: "policy", or "hand" without one. `traffic`: bytes that may be moved by
    rewriting parts. Raises OSError, Busy, Interrupted; whatever it raises, everything that is still listed can be
    restored, and the next one goes on.
    """
    try:
        return _Run(session, known, grace, stop).take(captures, by, policy, traffic)
    except Interrupted as error:
        error.hint = _CUT_SHORT
        raise
    except OSError as error:
        failure = share_failed(error)
        failure.hint = _CUT_SHORT
        raise failure from error


def as_json(removals: Sequence[Removal]) -> dict[str, Any]:
    """What came of one, or of several after each other."""
    return {
        "trashed_bytes": sum(removal.trashed_bytes for removal in removals),
        "expected_bytes": sum(removal.expected_bytes for removal in removals),
        "freed_bytes": sum(removal.freed_bytes for removal in removals),
        "in_trash_bytes": removals[-1].in_trash_bytes if removals else 0,
        "brought_back": [part for removal in removals for part in removal.brought_back],
        "rewritten_parts": [part for removal in removals for part in removal.rewriting.parts],
        "moved_bytes": sum(removal.rewriting.moved_bytes for removal in removals),
        "waits": removals[-1].waits if removals else [],
        "problems": removals[-1].problems if removals else [],
    }


def gone(shelf: Shelf, captures: Iterable[str]) -> list[str]:
    """Those of the captures that are on the shelf no more."""
    return [capture for capture in captures if shelf.storage.size(record_name(capture)) is None]


class _Run:
    """One removal on its way. Steps are in the order of `take`."""

    def __init__(self, session: HeldSession, known: Captures, grace: Grace, stop: Stop) -> None:
        self._session = session
        self._known = known
        self._shelf = session.shelf
        self._storage: Storage = session.shelf.storage
        self._grace = grace
        self._stop = stop
        self._tray = Tray(self._storage, session.lock)
        self._removal = Removal()

    def take(self, captures: Mapping[str, str], by: str, policy: Policy | None, traffic: int) -> Removal:
        session, removal = self._session, self._removal
        goes = {
            **captures,
            **{record.id: NOT_COUNTED for record in uncounted(self._shelf, session.history, self._known)},
        }
        if goes:
            said = {"captures": list(goes), "by": by, "reasons": goes, "policy": policy and policy.name}
            session.event("thinning", {**said, "parts": self._parts_of(goes)}, must_arrive=True)
        self._move_records(goes)
        known = replace(self._known, records=tuple(r for r in self._known.records if r.id not in goes))
        readers = readers_now(self._storage, session.server_time, session.facts.claim("").is_gone)
        each = step_by_step(session.reporter, self._stop)
        found = survey(self._shelf, session.history, known, session.reporter.note, readers.captures, each)
        try:
            self._bring_back(found)
            if self._may_leave(found, readers):
                self._move_parts(found)
            self._move_folders(readers)
            self._tray.close()
            self._empty_trash(readers)
            removal.in_trash_bytes = bytes_held(self._storage)
            self._remove_scraps()
            if policy is not None and not removal.problems:
                removal.rewriting = rewrite(session, found, known, policy, traffic, self._stop)
        finally:
            found.spans.index.close()
        make_ballast_again(self._storage)
        if goes or removal.expected_bytes or removal.trashed_bytes or removal.brought_back:
            session.event("thinned", {
                "captures": list(goes), "trashed_bytes": removal.trashed_bytes,
                "expected_bytes": removal.expected_bytes, "freed_bytes": removal.freed_bytes,
                "in_trash_bytes": removal.in_trash_bytes, "brought_back": list(removal.brought_back),
            })  # fmt: skip
        return removal

    def _parts_of(self, captures: Collection[str]) -> list[str]:
        """What their runs wrote."""
        return sorted({part for record in self._known.records if record.id in captures for part in record.parts})

    def _move_records(self, captures: Collection[str]) -> None:
        for capture in captures:
            self._stop.check()
            self._take(record_name(capture))
        self._tray.sync(*(f"captures/{capture}" for capture in captures))

    def _take(self, name: str) -> None:
        length = self._storage.size(name)
        if length is not None:
            self._tray.take(name)
            self._removal.trashed_bytes += length

    def _bring_back(self, found: Survey) -> None:
        """What a capture lacks, and the trash has: needed no more once, it is the last intact copy by now."""
        history, spans = self._session.history, found.spans
        if not found.lost and not history.damaged_copies:
            return

        def lacked(part: str, hash: bytes) -> bool:
            number = spans.index.find(hash)
            if number < 0 or spans.holding_of(number) == NOBODY or not history.is_intact(part, hash.hex()):
                return False
            return not _is_intact(spans.index.place_of(number), hash, history)

        parts = parts_holding(self._storage, self._shelf.mark, lacked)
        for part in parts:
            bring_back(self._storage, part)
            self._session.reporter.note(f"part {part} is brought back: a capture needs it after all")
        self._removal.brought_back = tuple(parts)

    def _may_leave(self, found: Survey, readers: Readers) -> bool:
        """Whether it is known what of the stock is needed."""
        removal = self._removal
        for capture, cause in found.unreadable:
            removal.problems.append(f"the contents of {capture} cannot be read, so no part is removed: {cause}")
        for capture in self._without_their_records():
            removal.problems.append(
                f"the record of {capture} has gone, and nothing of this program removed it: bring it back from a "
                f"snapshot of the NAS, or say `backupctl discard {capture}`; no part is removed until then"
            )
        if readers.everything:
            removal.waits.append(f"parts stay while {', '.join(readers.names)} may be reading them")
        return not removal.problems and not readers.everything

    def _without_their_records(self) -> list[str]:
        kept = self._session.history.captured - self._session.history.removed
        return [
            capture
            for capture in self._storage.names("captures")
            if capture in kept and self._storage.size(record_name(capture)) is None
        ]

    def _move_parts(self, found: Survey) -> None:
        dead = [use.file for _, use in sorted(found.parts().items()) if not use.needed and self._is_over(use.file)]
        done, total = 0, sum(file.bytes for file in dead)
        for file in dead:
            self._stop.check()
            self._take(part_name(file.part))
            self._take(table_name(file.part))
            done += file.bytes
            self._session.reporter.step(Step("removing", done, total))
        self._tray.sync("stock")

    def _is_over(self, file: PartFile) -> bool:
        """Whether no run is to go on with the part: one that was cut short may have written it, and begins again."""
        history = self._session.history
        if file.part in history.removed_parts:
            return True
        if file.part not in history.damaged_parts and not (file.confirmed and file.has_table):
            return False
        age = self._session.server_time - file.modified
        return age >= self._grace.unfinished_seconds or not self._grace.unfinished_seconds

    def _move_folders(self, readers: Readers) -> None:
        """What is left of captures without a record: removed ones, and such as were never finished."""
        history = self._session.history
        spared = readers.captures | (history.captured - history.removed)
        for capture in filter(CAPTURE_ID.fullmatch, self._storage.names("captures")):
            folder = f"captures/{capture}"
            if readers.everything or capture in spared or self._storage.size(record_name(capture)) is not None:
                continue
            self._stop.check()
            for name in self._storage.names(folder):
                if name.startswith(("contents.", "members.", "head.", "record.", capture)):
                    self._take(f"{folder}/{name}")
            self._tray.sync(folder)
            left = self._storage.names(folder)
            if not left:
                with suppress(OSError):  # SMB has a file until its last holder closes it: then the next one does it
                    self._storage.remove_folder(folder)
            elif any(self._storage.size(f"{folder}/{name}") is not None for name in left):
                self._removal.waits.append(f"{folder} has files in it that are not of this program")
        self._storage.sync_folder("captures")

    def _empty_trash(self, readers: Readers) -> None:
        storage, removal = self._storage, self._removal
        if removal.problems:
            return  # what cannot be read may need what lies there
        before = storage.free_bytes()
        # Who reads one capture may still need what another one's removal has set free.
        grace = FULL if readers.names else self._grace
        if grace != self._grace:
            removal.waits.append(f"the trash stays while {', '.join(readers.names)} may need what lies in it")
        removal.expected_bytes = empty(storage, self._session.lock, self._session.server_time, grace)
        deadline = time.monotonic() + _SETTLES_SECONDS
        while True:
            removal.freed_bytes = max(0, storage.free_bytes() - before)
            if not is_kept(removal.expected_bytes, removal.freed_bytes):
                return
            if time.monotonic() >= deadline:
                break
            self._stop.check()
            time.sleep(0.2)
        removal.waits.append(
            f"{size(removal.expected_bytes)} were removed, but the share has only {size(removal.freed_bytes)} more "
            "free room: does the NAS keep them in a recycle bin, or in snapshots?"
        )

    def _remove_scraps(self) -> None:
        """Small files of runs that were cut short before these got their names, or had told the time."""
        for folder, ending in (("", ".new"), ("manifest", ".new"), (PROBES, "")):
            for file in self._storage.names(folder):
                name = f"{folder}/{file}" if folder else file
                is_file = file.endswith(ending) and self._storage.size(name) is not None
                if is_file and self._session.server_time - self._storage.modified(name) >= _SCRAP_SECONDS:
                    self._storage.unlink(name)


def uncounted(shelf: Shelf, history: History, known: Captures) -> Iterator[CaptureRecord]:
    """Captures of runs that woke up too late: they do not count, are in no plan, and go with any removal."""
    for capture, _ in known.problems:
        with suppress(BackupctlError, OSError):
            record = read_record(shelf.storage, shelf.mark, capture)
            if history.is_superseded(capture, record.lock):
                yield record


def _is_intact(place: Place | None, hash: bytes, history: History) -> bool:
    return place is not None and history.is_intact(place.part, hash.hex())
