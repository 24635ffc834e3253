"""Taking a capture of a card: what the shelf does not hold is written, and then one rename makes it exist."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from backupctl.board import pace
from backupctl.domain.card_map import CardMap, cells
from backupctl.domain.errors import BackupctlError, Interrupted
from backupctl.domain.events import History
from backupctl.domain.names import capture_id, checked_label
from backupctl.domain.policy import Policy
from backupctl.domain.policy_changes import policy_changes
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, Guard, Stream
from backupctl.domain.segments import SEGMENT_BYTES, Entry
from backupctl.operations.capturing.cell_store import CellStore
from backupctl.operations.capturing.confirming import confirm_parts, read_back, rebuild_tables
from backupctl.operations.capturing.intake import Intake
from backupctl.operations.capturing.last_capture import LastCapture, last_capture
from backupctl.operations.capturing.part_series import PartSeries
from backupctl.operations.capturing.reading import StretchReader
from backupctl.operations.capturing.renewal import Renewal, renewal_of
from backupctl.operations.capturing.segmenting import Segmenter
from backupctl.operations.capturing.source import CardReader, Source, open_source
from backupctl.operations.capturing.standalone import write_standalone
from backupctl.operations.capturing.undoing import undo_left_over
from backupctl.operations.card_map import layout_of
from backupctl.operations.facts import Facts
from backupctl.operations.listing import summary
from backupctl.operations.preflight.check import refuse_if_any, warnings_for_the_record
from backupctl.operations.preflight.run import run_checks
from backupctl.operations.preflight.situation import NOT_TRIED, Reached, Situation
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.session import HeldSession, Session, hold, share_failed
from backupctl.share.captures import commit
from backupctl.share.contents import DigestOfCapture, write_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import MADE_BY, Shelf, load_index
from backupctl.share.storage import write_whole

if TYPE_CHECKING:
    from backupctl.operations.capturing.live import Instant
    from backupctl.operations.capturing.live_card import LiveCard

_UNFINISHED = "unfinished"


@dataclass(frozen=True)
class CaptureOptions:
    """What is asked for beyond the policy."""

    source: Path
    policy: Policy
    label: str | None = None
    guard: Guard | None = None
    confirm: bool = True  # hash what the last run wrote; without it, nothing of that run is referred to
    scheduled: bool = False  # by a night, and not by hand
    while_frozen: Callable[[], None] | None = None  # a hook of tests: called in the instant that a live card is frozen

    def __post_init__(self) -> None:
        """Raises UsageError for a label that a capture cannot have."""
        if self.label is not None:
            checked_label(self.label)


def capture(
    shelf: Shelf, options: CaptureOptions, facts: Facts, reporter: Reporter, stop: Stop, reached: Reached = NOT_TRIED
) -> dict[str, Any]:
    """Takes a capture; the object that `capture --json` prints. `reached`: what was found out of the share before.

    Raises BackupctlError of every kind; nothing that was on the shelf before is touched, whatever happens.
    """
    for text in undo_left_over(facts.state_folder):
        reporter.note(text)
    with open_source(options.source, options.policy.image) as source:
        if source.live is not None:
            from backupctl.operations.capturing.hooks import check_only_when

            check_only_when(options.policy.hooks)
        card = source.map(options.policy.image.leave_out)
        try:
            session = Session(shelf, facts, reporter)
        except OSError as error:
            raise share_failed(error) from error
        situation = Situation(
            shelf.share_folder, shelf, session, facts, options.policy, source, card, reached.probed
        )  # fmt: skip
        checks = [*reached.checks, *run_checks(situation)]
        refuse_if_any(checks)
        if shelf.mark.same_machine:
            reporter.note("note: the share is a folder of this machine, and is lost with it")
        with hold(shelf, facts, reporter, f"capture of {options.source}", stop=stop) as held:
            started = facts.now()
            id = capture_id(started, "image", secrets.token_hex(3))
            mark = b'{"backupctl": "unfinished run", "capture": "%s"}\n' % id.encode()
            write_whole(shelf.storage, f"{_UNFINISHED}/{id}.json", mark)
            run = _Run(held, options, source, card, id, started, stop)
            run.warn(warnings_for_the_record(checks))
            record = run.take()
            try:
                for name in shelf.storage.names(_UNFINISHED):
                    shelf.storage.unlink(f"{_UNFINISHED}/{name}")
            except OSError as error:
                reporter.note(f"marks of unfinished runs could not be removed ({error}); the next run removes them")
            return {**summary(record, held.history, facts.now()), **run.notes()}


class _Run:
    """One capture on its way. Steps are in the order of `take`."""

    def __init__(
        self,
        session: HeldSession,
        options: CaptureOptions,
        source: Source,
        card: CardMap,
        id: str,
        started: datetime,
        stop: Stop,
    ) -> None:
        self._session = session
        self._shelf = session.shelf
        self._options = options
        self._source = source
        self._card = card
        self._id = id
        self._started = started
        self._stop = stop
        self._warnings: list[str] = list(session.problems)
        self._healed: list[str] = []
        self._limit = pace.RateLimit(options.policy.pace.rate or None)
        self._instant: Instant | None = None  # of a live card
        self._renewal: Renewal | None = None

    def _how_live(self) -> dict[str, Any]:
        if self._instant is None:
            return {}
        return {
            "rounds": list(self._instant.rounds),
            "freezes": self._instant.attempts,
            "marked_in_use": list(self._instant.marked_in_use),
        }

    def notes(self) -> dict[str, Any]:
        return {"healed": self._healed, "shelf": str(self._shelf.path), "same_machine": self._shelf.mark.same_machine}

    def warn(self, texts: list[str]) -> None:
        self._warnings += texts

    def _workers(self) -> int:
        return self._options.policy.pace.workers or pace.workers()

    def take(self) -> CaptureRecord:
        session, storage = self._session, self._shelf.storage
        if session.clock_distrust:
            self._warnings.append(f"the clock is not trusted: {session.clock_distrust}")
        index = self._load_index()
        try:
            last = last_capture(self._shelf, session.history, index, SEGMENT_BYTES)
            series = PartSeries(storage, self._shelf.mark, self._options.policy.store.sync_every)
            space, now = self._options.policy.space, session.server_time
            self._renewal = renewal_of(storage, session.history, index, space, now)
            churn = last.churn if last else Ranges()
            store = CellStore(self._card.size, SEGMENT_BYTES, index, series, churn, self._renewal)
            self._read_and_write(index, store, series)
            self._source.check_unchanged()
            self._read_back(series)
            record = self._commit(index, store, series, last)
        finally:
            index.close()
        return record

    def _load_index(self) -> SegmentIndex:
        session = self._session
        if self._options.confirm:
            self._warnings += confirm_parts(session, self._stop)
        index, problems = load_index(self._shelf, session.history)
        if problems:
            index.close()
            self._warnings += rebuild_tables(session, problems, self._stop)
            index, _ = load_index(self._shelf, session.history)
        return index

    def _read_and_write(self, index: SegmentIndex, store: CellStore, series: PartSeries) -> None:
        intake = Intake(store, partial(self._segmenter, index), self._workers(), self._stop)
        try:
            if self._source.live is None:
                self._read_still(intake)
            else:
                self._read_live(self._source.live, intake)
            series.finish()
        except Interrupted:
            series.finish()  # what was written so far gets its table, so that the next run can use it at once
            raise
        except BaseException:
            series.abandon()
            raise
        self._warnings += [*self._source.warnings, *self._card.warnings]

    def _segmenter(self, index: SegmentIndex, reader: CardReader, card: CardMap) -> Segmenter:
        stretches = StretchReader(reader, card.data, card.sector_size, self._limit.take)
        hashing, level = self._shelf.mark.hashing, self._options.policy.store.level
        return Segmenter(stretches, index, hashing, level, SEGMENT_BYTES, self._renewal)

    def _read_still(self, intake: Intake) -> None:
        """A card that nobody else uses: once through."""
        card, store, reporter = self._card, intake.store, self._session.reporter

        def told(_: int) -> None:
            reporter.step(Step("reading the card", store.read_bytes, card.data.total, store.written))

        intake.take(self._source.reader, card, cells(card.data, card.zero, card.size, SEGMENT_BYTES), told)

    def _read_live(self, live: LiveCard, intake: Intake) -> None:
        from backupctl.operations.capturing.hooks import quieted
        from backupctl.operations.capturing.live import LiveLimits, LiveReading
        from backupctl.operations.capturing.paused import PausedReading

        policy, facts, reporter = self._options.policy, self._session.facts, self._session.reporter
        image, quiet = policy.image, partial(quieted, policy.hooks, facts.state_folder, reporter)
        if live.tracker is None:
            with quiet():
                self._instant = PausedReading(live, intake, image.max_freeze, facts.state_folder, reporter).take()
        else:
            limits = LiveLimits(image.freeze_memory, image.max_freeze, image.max_rounds, self._options.while_frozen)
            self._instant = LiveReading(live, intake, limits, quiet, reporter).take()
        self._card = self._instant.card

    def _read_back(self, series: PartSeries) -> None:
        if not self._options.policy.store.read_back:
            return
        self._session.reporter.step(Step("reading back what was written", 0, series.written))
        wrong = read_back(self._shelf, series.sums, self._stop)
        if wrong:
            raise BackupctlError(
                f"the share gives back other bytes than were written ({len(wrong)} parts: {wrong[0]} ...)",
                "Nothing older is hurt. Look at the NAS: its disks, its memory, its log. Then try again.",
            )

    def _commit(
        self, index: SegmentIndex, store: CellStore, series: PartSeries, last: LastCapture | None
    ) -> CaptureRecord:
        session, storage, mark, card = self._session, self._shelf.storage, self._shelf.mark, self._card
        digest = DigestOfCapture()
        referred: set[int] = set()
        storage.make_folder(f"captures/{self._id}")

        def entries() -> Iterator[Entry]:
            for start, length, state, number in store.entries():
                has_segment = number >= 0
                entry = Entry(start, length, state, index.hash_of(number) if has_segment else b"")
                digest.add(entry, index.sha256_of(number) if has_segment else b"")
                if has_segment:
                    referred.add(index.part_number_of(number))
                yield entry

        lines, contents_bytes = write_contents(storage, mark, self._id, card.size, entries())
        written = sum(part.part_bytes for part in series.sums.values()) + contents_bytes
        standalone = None
        if self._options.policy.store.standalone:
            standalone = write_standalone(
                self._shelf, self._id, session.history, self._options.policy.store, self._workers(), self._stop
            )
            written += standalone.bytes
        unreadable = store.unreadable
        if unreadable:
            self._warnings.append(f"{unreadable.total} bytes of the card could not be read; they stand as zeros")
        record = CaptureRecord(
            id=self._id,
            board=self._shelf.board,
            kind="image",
            sequence=session.history.last_sequence + 1,
            source={**self._source.identity, "sector_size": card.sector_size, **self._how_live()},
            started=self._started.isoformat(timespec="seconds"),
            finished=session.facts.now().isoformat(timespec="seconds"),
            zone=session.facts.zone,
            clock_trusted=session.clock_distrust is None,
            label=self._options.label,
            state=PARTIAL if unreadable else GOOD,
            streams=(Stream(0, card.size, lines, digest.hex()),),
            in_use_bytes=card.in_use_bytes,
            read_bytes=store.read_bytes,
            written_bytes=written,
            new_segments=store.new_segments,
            frozen_seconds=self._instant.frozen_seconds if self._instant else None,
            layout=layout_of(card),
            zeroed=tuple(card.zero),
            unreadable=tuple(unreadable),
            left_out=tuple(v.partition.number for v in card.volumes if v.left_out and v.partition),
            parts=tuple(sorted(series.sums)),
            policy=self._options.policy.for_record(),
            warnings=tuple(self._warnings),
            lock=session.lock.token,
            by=MADE_BY,
            standalone=standalone,
            guard=self._options.guard,
        )
        commit(storage, mark, session.lock, record, {index.part_by_number(number) for number in referred})
        self._healed = _healed(session.history, index)
        changes = last.changes(store, index) if last and last.record.lane == record.lane else None
        session.event("captured", {
            "capture": record.id, "state": record.state, "written_bytes": record.written_bytes,
            "label": record.label, "warnings": list(record.warnings), "healed_captures": self._healed,
            "frozen_seconds": record.frozen_seconds,
            "changes": changes and changes.body(), "scheduled": self._options.scheduled,
            "policy_changes": policy_changes(last.record.policy, record.policy) if last else {},
            "renewed_bytes": self._renewal.written if self._renewal else 0,
        })  # fmt: skip
        return record


def _healed(history: History, index: SegmentIndex) -> list[str]:
    """Damaged captures that lack no segment any more, now that the index holds them all."""
    return [
        capture
        for capture, hashes in history.damaged_captures.items()
        if hashes and all(index.find(bytes.fromhex(hash)) >= 0 for hash in hashes)
    ]
