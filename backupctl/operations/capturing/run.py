"""One capture on its way, whatever it is of: what is known of the shelf, what is written, and the commit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from backupctl.board import pace
from backupctl.domain.errors import BackupctlError, Interrupted
from backupctl.domain.events import History
from backupctl.domain.policy import Policy
from backupctl.domain.policy_changes import policy_changes
from backupctl.domain.record import CaptureRecord, Guard, Stream
from backupctl.domain.segments import Entry, State
from backupctl.operations.capturing.confirming import confirm_parts, read_back, rebuild_tables
from backupctl.operations.capturing.new_segments import NewSegments
from backupctl.operations.capturing.part_series import PartSeries
from backupctl.operations.capturing.renewal import Renewal, renewal_of
from backupctl.operations.capturing.standalone import write_standalone
from backupctl.operations.progress import Step, Stop
from backupctl.operations.session import HeldSession
from backupctl.share.captures import commit
from backupctl.share.contents import DigestOfCapture, write_contents
from backupctl.share.index import SegmentIndex
from backupctl.share.shelf import MADE_BY, load_index


@dataclass(frozen=True)
class Wanted:
    """What is asked of every capture. `guard`: from the beginning; `scheduled`: by a night, and not by hand."""

    policy: Policy
    label: str | None
    guard: Guard | None
    confirm: bool
    scheduled: bool


class CaptureRun:
    """`index` and what follows are there within `begun`."""

    index: SegmentIndex
    series: PartSeries
    renewal: Renewal
    segments: NewSegments

    def __init__(self, session: HeldSession, wanted: Wanted, id: str, started: datetime, stop: Stop) -> None:
        self.session = session
        self.shelf = session.shelf
        self.policy = wanted.policy
        self.id = id
        self.stop = stop
        self.warnings: list[str] = list(session.problems)
        self.limit = pace.RateLimit(wanted.policy.pace.rate or None)
        self._wanted = wanted
        self._started = started
        self._healed: list[str] = []

    @property
    def workers(self) -> int:
        return self.policy.pace.workers or pace.workers()

    def notes(self) -> dict[str, Any]:
        """What `capture --json` says beside the summary of the record."""
        return {"healed": self._healed, "shelf": str(self.shelf.path), "same_machine": self.shelf.mark.same_machine}

    @contextmanager
    def begun(self) -> Iterator[None]:
        """Learns what the shelf holds, for as long as the block lasts. Raises OSError of the share, BackupctlError."""
        session = self.session
        if session.clock_distrust:
            self.warnings.append(f"the clock is not trusted: {session.clock_distrust}")
        if self._wanted.confirm:
            self.warnings += confirm_parts(session, self.stop)
        self.index, problems = load_index(self.shelf, session.history)
        try:
            if problems:
                self.index.close()
                self.warnings += rebuild_tables(session, problems, self.stop)
                self.index, _ = load_index(self.shelf, session.history)
            self.series = PartSeries(self.shelf.storage, self.shelf.mark, self.policy.store.sync_every)
            space, now = self.policy.space, session.server_time
            self.renewal = renewal_of(self.shelf.storage, session.history, self.index, space, now)
            self.segments = NewSegments(self.index, self.series, self.renewal)
            yield
        finally:
            self.index.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """All that `series` gets in the block is on stable storage after it, tables included. Raises OSError."""
        try:
            yield
            self.series.finish()
        except Interrupted:
            self.series.finish()  # what was written so far gets its table, so that the next run can use it at once
            raise
        except BaseException:
            self.series.abandon()
            raise

    def read_back(self) -> None:
        """Raises BackupctlError if the share gives back other bytes than were written."""
        if not self.policy.store.read_back:
            return
        self.session.reporter.step(Step("reading back what was written", 0, self.series.written))
        wrong = read_back(self.shelf, self.series.sums, self.stop)
        if wrong:
            raise BackupctlError(
                f"the share gives back other bytes than were written ({len(wrong)} parts: {wrong[0]} ...)",
                "Nothing older is hurt. Look at the NAS: its disks, its memory, its log. Then try again.",
            )

    def make_folder(self) -> None:
        """The capture's own, before anything is put into it. Raises OSError."""
        self.shelf.storage.make_folder(f"captures/{self.id}")

    def commit(
        self,
        stream_bytes: int,
        stretches: Iterator[tuple[int, int, State, int]],
        said: dict[str, Any],
        last: CaptureRecord | None,
        changes: dict[str, Any] | None,
        beside_bytes: int = 0,
    ) -> CaptureRecord:
        """Writes the contents, and makes the capture exist.

        `stretches`: start, length, state, and number of the segment or -1. `said`: what the record says that depends
        on the kind. `last`: the newest capture before. `beside_bytes`: written into the capture's folder already.
        """
        session, storage, mark, index = self.session, self.shelf.storage, self.shelf.mark, self.index
        digest = DigestOfCapture()
        referred: set[int] = set()

        def entries() -> Iterator[Entry]:
            for start, length, state, number in stretches:
                has_segment = number >= 0
                entry = Entry(start, length, state, index.hash_of(number) if has_segment else b"")
                digest.add(entry, index.sha256_of(number) if has_segment else b"")
                if has_segment:
                    referred.add(index.part_number_of(number))
                yield entry

        lines, contents_bytes = write_contents(storage, mark, self.id, stream_bytes, entries())
        written = sum(part.part_bytes for part in self.series.sums.values()) + contents_bytes + beside_bytes
        standalone = None
        if self.policy.store.standalone:
            standalone = write_standalone(
                self.shelf, self.id, session.history, self.policy.store, self.workers, self.stop
            )
            written += standalone.bytes
        record = CaptureRecord(
            id=self.id,
            board=self.shelf.board,
            sequence=session.history.last_sequence + 1,
            started=self._started.isoformat(timespec="seconds"),
            finished=session.facts.now().isoformat(timespec="seconds"),
            zone=session.facts.zone,
            clock_trusted=session.clock_distrust is None,
            label=self._wanted.label,
            streams=(Stream(0, stream_bytes, lines, digest.hex()),),
            written_bytes=written,
            parts=tuple(sorted(self.series.sums)),
            policy=self.policy.for_record(),
            warnings=tuple(self.warnings),
            lock=session.lock.token,
            by=MADE_BY,
            standalone=standalone,
            guard=self._wanted.guard,
            **said,
        )
        commit(storage, mark, session.lock, record, {index.part_by_number(number) for number in referred})
        self._healed = _healed(session.history, index)
        session.event("captured", {
            "capture": record.id, "state": record.state, "written_bytes": record.written_bytes,
            "label": record.label, "warnings": list(record.warnings), "healed_captures": self._healed,
            "frozen_seconds": record.frozen_seconds,
            "changes": changes, "scheduled": self._wanted.scheduled,
            "policy_changes": policy_changes(last.policy, record.policy) if last else {},
            "renewed_bytes": self.renewal.written,
        })  # fmt: skip
        return record


def _healed(history: History, index: SegmentIndex) -> list[str]:
    """Damaged captures that lack no segment any more, now that the index holds them all."""
    return [
        capture
        for capture, hashes in history.damaged_captures.items()
        if hashes and all(index.find(bytes.fromhex(hash)) >= 0 for hash in hashes)
    ]
