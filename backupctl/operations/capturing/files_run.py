"""A capture of files: a walk through a tree becomes an archive, of which only what is new is read and written."""

from __future__ import annotations

import errno
import os
from array import array
from collections import Counter
from contextlib import closing
from datetime import datetime
from itertools import accumulate
from pathlib import Path
from typing import Any

from backupctl.domain.member_cells import MemberCells
from backupctl.domain.members import Member
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, card_of
from backupctl.domain.segments import SEGMENT_BYTES, State
from backupctl.domain.units import counted
from backupctl.formats.pax import END
from backupctl.operations.capturing.board_layout import TakenBoard, take_board
from backupctl.operations.capturing.database_copy import DatabaseCopies
from backupctl.operations.capturing.earlier_files import EarlierFiles, earlier_files, nothing_earlier
from backupctl.operations.capturing.hooks import quieted
from backupctl.operations.capturing.large_file import LargeFile
from backupctl.operations.capturing.member_making import MemberMaking, Read, owners_of
from backupctl.operations.capturing.part_series import CHURN, STABLE
from backupctl.operations.capturing.run import CaptureRun, Wanted
from backupctl.operations.capturing.segmenting import Segment, SegmentMaker
from backupctl.operations.capturing.stream_store import StreamStore
from backupctl.operations.capturing.tree_reading import TRIES, TreeReading
from backupctl.operations.capturing.tree_source import TreeSource, walk_of
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Step, Stop
from backupctl.operations.session import HeldSession
from backupctl.share.members import MemberListWriter

_NAMED = 3  # paths in a warning
_BENEATH_MOST = 100


class FilesRun(CaptureRun):
    """`reread`: also what has not changed."""

    def __init__(
        self,
        session: HeldSession,
        wanted: Wanted,
        tree: TreeSource,
        id: str,
        started: datetime,
        stop: Stop,
        reread: bool = False,
    ) -> None:
        super().__init__(session, wanted, id, started, stop)
        self._tree = tree
        self._reread = reread
        self._walk = walk_of(tree, wanted.policy)

    def take(self) -> CaptureRecord:
        """Raises BackupctlError of every kind, OSError of the share."""
        with self.begun():
            earlier = self._earlier()
            hashing, level = self.shelf.mark.hashing, self.policy.store.level
            maker = SegmentMaker(self.index, hashing, level, SEGMENT_BYTES, self.renewal)
            making = MemberMaking(owners_of(self._tree.root), maker, self.limit.take)
            databases = DatabaseCopies(Path(self.policy.night.scratch), self.warnings.append)
            reading = TreeReading(self._walk, earlier, making, databases.copy_of)
            self.make_folder()
            board = self._board()
            with closing(MemberListWriter(self.shelf.storage, self.shelf.mark, self.id)) as listing:
                into = _Archive(StreamStore(self.segments), listing, reading)
                hooks, facts, reporter = self.policy.hooks, self.session.facts, self.session.reporter
                with quieted(hooks, facts.state_folder, reporter), self.writing():
                    self._read(reading, into, earlier.record.in_use_bytes if earlier.record else 0)
                members = listing.finish()
            self.read_back()
            said = {**self._said(into), "members": members}
            beside = members.bytes
            if board is not None:
                said |= {"layout": board.layout, "head": board.head}
                beside += board.head.bytes
            changes = earlier.changes(into.cells, into.store)
            told = changes.body() if changes else None
            return self.commit(into.store.size, into.store.entries(), said, earlier.record, told, beside)

    def _board(self) -> TakenBoard | None:
        """What a card needs and no file holds, where these are all files of one."""
        card, policy = self._tree.card, self.policy
        if card is None:
            return None
        taken = take_board(card, self._tree.places, self.shelf, self.id, policy.store.read_back, self.stop)
        self.warnings += taken.warnings
        return taken

    def _earlier(self) -> EarlierFiles:
        if self._reread:
            return nothing_earlier()
        lane = f"files of {card_of(self._tree.identity)}"
        return earlier_files(self.shelf, self.session.history, self.index, lane)

    def _read(self, reading: TreeReading, into: _Archive, expected: int) -> None:
        reporter = self.session.reporter
        with closing(
            in_order(reading.units(), lambda unit: unit(), self.workers, is_done=lambda unit: unit.is_reused)
        ) as results:
            for read in results:
                self.stop.check()
                into.take(read)
                done = into.stored_bytes
                reporter.step(Step("reading files", done, max(expected, done), into.store.segments.written))
        into.end()

    def _said(self, into: _Archive) -> dict[str, Any]:
        passed, unlisted, store = self._walk.passed, self._walk.passed.unreadable, into.store
        self.warnings += [
            *_grouped(into.hurt, "could not be read everywhere: what the disk lost stands as zeros", "file"),
            *_grouped([path for path, _ in into.lost], "could not be captured", "name", _reasons(into.lost)),
            *_grouped([path for path, _ in unlisted], "could not be listed", "folder", _reasons(unlisted)),
            *_grouped(into.torn, "went on changing while it was read, and may be torn", "file"),
        ]
        if passed.too_deep:
            self.warnings.append(f"{counted(passed.too_deep, 'folder')} lie too deep in others, and are left out")
        broken = {errno.EIO, errno.EUCLEAN, errno.EBADMSG}
        by_disk = any(error.errno in broken for _, error in (*into.lost, *unlisted))
        counts = {**into.counts, "sockets": passed.sockets, "left out": passed.left_out}
        counts["vanished"] = passed.vanished + into.vanished
        beneath = [os.fsdecode(path) for path in passed.beneath[:_BENEATH_MOST]]
        for note in _grouped(passed.beneath, "left out, since something else is mounted there", "folder"):
            self.session.reporter.note(note)
        return {
            "kind": "files",
            "source": {**self._tree.identity, "counts": counts, "beneath": beneath},
            "state": PARTIAL if into.hurt or by_disk else GOOD,
            "in_use_bytes": into.stored_bytes,
            "read_bytes": store.read_bytes,
            "new_segments": len(store.segments),
            "frozen_seconds": None,
            "layout": {"volumes": []},
            "zeroed": (),
            "unreadable": tuple(store.unreadable),
            "left_out": (),
        }


class _Archive:
    """What was read, put in order: segments in the stream, and members in their list. For use by one thread."""

    def __init__(self, store: StreamStore, listing: MemberListWriter, reading: TreeReading) -> None:
        self.store = store
        self._reading = reading
        # Names that were lost, or are of another file by now: what was found to be a link to one of them is none. And
        # which of these links took its place.
        self._parted: dict[bytes, bytes] = {}
        self.counts: Counter[str] = Counter()
        self.torn: list[bytes] = []
        self.hurt: list[bytes] = []
        self.lost: list[tuple[bytes, OSError]] = []
        self.vanished = 0
        self.stored_bytes = 0
        self.cells = array("Q")  # of the segments: see `domain.member_cells`
        self._listing = listing
        self._gathered: list[Segment] = []  # of the large file that is being read

    def take(self, read: Read) -> None:
        """What comes next. Raises OSError of the share."""
        self._part([*(path for path, _ in read.lost), *read.parted])  # a link may stand in one segment with its file
        if any(entry.kind == "hard link" and entry.target in self._parted for entry in read.entries):
            for other in self._reading.apart(read.entries, self._parted):
                self._take(other)
        else:
            self._take(read)

    def _take(self, read: Read) -> None:
        self._put(read)
        for path, error in read.lost:
            self._lose(path, error)
        self.hurt += read.hurt
        if read.large is None:
            self._append(read.members, read.begins, read.segments)
            return
        self._gathered += read.segments
        if read.is_last:
            segments, self._gathered = self._gathered, []
            self._finish(read.large, segments)

    def end(self) -> None:
        """What an archive ends with."""
        self.store.append(Segment(0, len(END), State.ZERO))

    def _put(self, read: Read) -> None:
        self.store.read_bytes += read.read_bytes
        for segment in read.segments:
            self.store.segments.put(segment, CHURN if read.seen_before else STABLE)

    def _finish(self, large: LargeFile, segments: list[Segment]) -> None:
        for _ in range(TRIES - 1):
            if large.is_as_it_was():
                break
            segments = []
            for read in large.again():
                self._put(read)
                segments += read.segments
        is_torn = not large.is_as_it_was()
        try:
            head = large.head(is_torn)
        except OSError as error:
            self._lose(large.path, error)
            return
        self._part(head.parted)
        self._put(head)
        self._append(head.members, 0, head.segments + segments)

    def _part(self, paths: list[bytes]) -> None:
        for path in paths:
            self._parted.setdefault(path, b"")

    def _lose(self, path: bytes, error: OSError) -> None:
        self._part([path])
        error.__traceback__ = None  # which holds all that was read with it
        if error.errno in (None, errno.ENOENT, errno.ESTALE, errno.ELOOP):
            self.vanished += 1
        else:
            self.lost.append((path, error))

    def _append(self, members: list[Member], begins: int, segments: list[Segment]) -> None:
        shift = self.store.size - begins
        for member in members:
            self._listing.add(member, shift)
            self.counts[member.kind] += 1
            self.stored_bytes += member.stored_bytes
            if member.torn:
                self.torn.append(member.path)
        named = MemberCells([*accumulate((segment.length for segment in segments[:-1]), initial=begins)])
        for member in members:
            named.add(member)
        self.cells += named.cells
        for segment in segments:
            self.store.append(segment)


def _reasons(lost: list[tuple[bytes, OSError]]) -> str:
    words = sorted({error.strerror or str(error) for _, error in lost})
    return f" ({', '.join(words)})" if words else ""


def _grouped(paths: list[bytes], what: str, noun: str, why: str = "") -> list[str]:
    """One line for all of them; none without any."""
    if not paths:
        return []
    named = ", ".join(f"/{os.fsdecode(path)}" for path in paths[:_NAMED])
    more = f" and {len(paths) - _NAMED} more" if len(paths) > _NAMED else ""
    return [f"{counted(len(paths), noun)} {what}{why}: {named}{more}"]
