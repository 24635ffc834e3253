"""Writing what is needed of mostly dead parts into new ones, so that the old ones can go.

Nothing is compressed again, and the old part is not touched: once a later run has hashed the new one, the copies there
count, nothing needs the old part, and the next thinning removes it. Until then a copy that is wrong costs nothing.
"""

from __future__ import annotations

import errno
import hashlib
from dataclasses import dataclass

from backupctl.domain.errors import BackupctlError, Malformed
from backupctl.domain.policy import Policy
from backupctl.domain.segments import Place
from backupctl.domain.units import counted
from backupctl.operations.capturing.confirming import read_back
from backupctl.operations.capturing.part_series import STABLE, PartSeries
from backupctl.operations.keeping.survey import PartUse, Survey
from backupctl.operations.progress import Step, Stop
from backupctl.operations.session import HeldSession
from backupctl.share.captures import Captures
from backupctl.share.parts import checked_segment, part_name
from backupctl.share.shelf import Shelf
from backupctl.share.storage import Source
from backupctl.share.tables import Row, read_table

_LEFT_FREE = 256 << 10  # bytes: for what the run has to say yet


@dataclass(frozen=True)
class Rewriting:
    """What came of it: `parts` were rewritten into `into`, by moving so many bytes."""

    parts: tuple[str, ...] = ()
    into: tuple[str, ...] = ()
    moved_bytes: int = 0


def rewrite(
    session: HeldSession, found: Survey, captures: Captures, policy: Policy, traffic: int, stop: Stop
) -> Rewriting:
    """Rewrites parts that are mostly dead, within `traffic` bytes and the free room of the share. Raises OSError."""
    chosen = _chosen(session, found, captures, policy, traffic)
    if not chosen:
        return Rewriting()
    shelf, total = session.shelf, sum(use.live_bytes for use in chosen)
    series = PartSeries(shelf.storage, shelf.mark, policy.store.sync_every)
    parts = []
    try:
        for use in chosen:
            copied, left = _copy(shelf, found, use.file.part, series, stop)
            if copied:
                parts.append(use.file.part)
            if left:
                session.reporter.note(
                    f"{counted(left, 'segment')} of part {use.file.part} cannot be read; they stay there"
                )
            session.reporter.step(Step("moving what is needed of old parts", series.written, total))
        series.finish()
    except BaseException:
        series.abandon()
        raise
    if not parts:
        return Rewriting()
    shelf.storage.sync_folder("stock")
    wrong = read_back(shelf, series.sums, stop)
    if wrong:
        raise BackupctlError(
            f"the share gives back other bytes than were written ({len(wrong)} parts: {wrong[0]} ...)",
            "Nothing is lost: the old copies are where they were. Look at the NAS: its disks, its memory, its log.",
        )
    done = Rewriting(tuple(parts), tuple(sorted(series.sums)), series.written)
    session.event("tidied", {"rewritten": parts, "into": list(done.into), "moved_bytes": done.moved_bytes})
    return done


def is_worth_it(use: PartUse, policy: Policy) -> bool:
    """Whether a part that is needed is dead to so much of it that the rest is moved."""
    dead = use.file.stored_bytes - use.live_bytes
    mostly_dead = 100 * dead >= policy.space.rewrite_dead * use.file.stored_bytes and dead >= use.live_bytes
    return use.file.has_table and use.live_bytes > 0 and mostly_dead


def _chosen(session: HeldSession, found: Survey, captures: Captures, policy: Policy, traffic: int) -> list[PartUse]:
    """The deadest first."""
    uses = found.parts()
    settled = session.history.damaged_parts.union(*(record.parts for record in captures.records))
    if any(not use.file.confirmed and part not in settled for part, use in uses.items()):
        return []  # of an earlier rewriting, as a rule: what it copied counts once the next capture has hashed it
    room = min(traffic, session.shelf.storage.free_bytes() - _LEFT_FREE)
    chosen = []
    for use in sorted(uses.values(), key=lambda use: (use.live_bytes / max(1, use.file.stored_bytes), use.file.part)):
        needs = use.live_bytes + use.file.table_bytes
        if is_worth_it(use, policy) and needs <= room:
            room -= needs
            chosen.append(use)
    return chosen


def _copy(shelf: Shelf, found: Survey, part: str, series: PartSeries, stop: Stop) -> tuple[int, int]:
    """Hands what is needed of a part to `series`: how many segments, and how many had to be left.

    What cannot be read now is for verification to judge: it may have been a bad moment.
    """
    copied = left = 0
    with shelf.storage.open(part_name(part), past_cache=True) as source:
        for row in read_table(shelf.storage, shelf.mark, part):
            if not isinstance(row, Row):
                continue
            place = Place(part, row.offset, row.stored, row.length)
            if found.place(row.hash) != place:
                continue
            stop.check()
            frame = _intact_frame(shelf, source, place, row)
            if frame is None:
                left += 1
            else:
                series.add(STABLE, row.hash, row.sha256, row.length, frame)
                copied += 1
    return copied, left


def _intact_frame(shelf: Shelf, source: Source, place: Place, row: Row) -> bytes | None:
    try:
        frame = source.read_at(row.offset, row.stored)
        content = checked_segment(frame, place, row.hash, shelf.mark.hashing)
    except Malformed:
        return None
    except OSError as error:
        if error.errno != errno.EIO:
            raise  # the share has gone, which says nothing of what stands on it
        return None
    return frame if hashlib.sha256(content).digest() == row.sha256 else None
