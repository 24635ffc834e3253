"""From what a walk finds to members of an archive, and segments of it.

Small members stand together in a segment, which ends where the name of one says so: what is put in or taken out
elsewhere moves no such end. A large file has segments of its own. So a change costs what it touches.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import xxhash

from backupctl.board.tree_files import attributes_of, path_of, pieces_of, read_stretch
from backupctl.board.tree_walk import Found
from backupctl.domain.errors import Malformed
from backupctl.domain.members import Member, MemberKind, padded
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing.earlier_files import EarlierFiles
from backupctl.operations.capturing.large_file import LargeFile
from backupctl.operations.capturing.member_making import Entry, MemberMaking, Read, is_unchanged, opened

LARGE = SEGMENT_BYTES  # bytes of a file from which on it has segments of its own
TRIES = 3  # of reading a file that changes meanwhile

_LEAST, _MOST = 64 << 10, 512 << 10  # bytes of small members in one segment
_ONE_IN = 16  # names that may end a segment


@dataclass(frozen=True, slots=True)
class Unit:
    """What is to be done for some of the archive, on any thread. `is_reused`: nothing is read for it."""

    read: Callable[[], Read]
    is_reused: bool = False

    def __call__(self) -> Read:
        return self.read()


class TreeReading:
    """Units of a tree in the order of its archive, to be called by several threads; `units` by one."""

    def __init__(
        self, walk: Iterable[Found], earlier: EarlierFiles, making: MemberMaking,
        copy_of: Callable[[Found], int | None] = lambda _: None,
    ) -> None:  # fmt: skip
        """`copy_of`: a descriptor of a database as it should be captured; None: as it is."""
        self._walk = walk
        self._earlier = earlier
        self._making = making
        self._copy_of = copy_of
        self.all_bytes = 0  # of the archive, about: of what was given out so far
        self.new_bytes = 0  # of that, what the capture before does not give
        self._links: dict[tuple[int, int], bytes] = {}  # the first name of each file that has several

    def units(self) -> Iterator[Unit]:
        """Raises OSError if the tree's root cannot be opened."""
        gathered: list[Entry] = []
        gathered_bytes = 0
        for found in self._walk:
            entry = self._entry(found)
            is_large = _is_large(entry)
            if gathered and (is_large or gathered_bytes + entry.expected > _MOST):
                yield self._small(gathered)
                gathered, gathered_bytes = [], 0
            if is_large:
                yield from self._large(entry)
                continue
            gathered.append(entry)
            gathered_bytes += entry.expected
            if gathered_bytes >= _LEAST and xxhash.xxh3_64_intdigest(found.path) % _ONE_IN == 0:
                yield self._small(gathered)
                gathered, gathered_bytes = [], 0
        if gathered:
            yield self._small(gathered)

    def apart(self, entries: Iterable[Entry], parted: dict[bytes, bytes]) -> Iterator[Read]:
        """What came of `entries`, once more, where some are links to names that could not be captured.

        `parted`: these names, and the other name that took the place of each, if one did. The first link to one that
        has none becomes the file. What is given out has to be taken before more is asked for: what of it is lost, is
        in `parted` by then.
        """
        together: list[Entry] = []
        for entry in entries:
            if entry.kind != "hard link" or entry.target not in parted:
                together.append(entry)
            elif parted[entry.target]:
                together.append(replace(entry, target=parted[entry.target], earlier=None))
            else:
                if together:
                    yield self._read(together)
                    together = []
                whole = replace(entry, kind="file", target=b"", earlier=None)
                if _is_large(whole):
                    yield from (unit() for unit in self._large(whole))
                else:
                    yield self._read([whole])
                if entry.found.path not in parted:
                    parted[entry.target] = entry.found.path
        if together:
            yield self._read(together)

    def _entry(self, found: Found) -> Entry:
        kind, status = found.kind, found.status
        target = b""
        if kind == "file" and status.st_nlink > 1:
            first = self._links.setdefault((status.st_dev, status.st_ino), found.path)
            if first != found.path:
                kind, target = "hard link", first
        earlier = self._earlier.member(found.path)
        is_same = earlier is not None and not found.is_database and self._is_same(earlier, kind, status, target)
        return Entry(found, kind, target, earlier if is_same else None, earlier is not None)

    def _is_same(self, earlier: Member, kind: MemberKind, status: os.stat_result, target: bytes) -> bool:
        """Whether nothing of it can have changed: what changes contents or header also sets the time of change."""
        return (
            earlier.changed_ns == status.st_ctime_ns
            and earlier.changed_ns < self._earlier.settled_ns
            and earlier.modified_ns == status.st_mtime_ns
            and earlier.inode == status.st_ino
            and earlier.kind == kind
            and earlier.size == (status.st_size if kind == "file" else 0)
            and (kind != "hard link" or earlier.target == target)
            and not earlier.torn
        )

    def _small(self, entries: list[Entry]) -> Unit:
        return self._reused(entries) or Unit(partial(self._read, entries))

    def _large(self, entry: Entry) -> Iterator[Unit]:
        reused = self._reused([entry])
        if reused is not None:
            yield reused
            return
        try:
            copy = self._copy_of(entry.found) if entry.found.is_database else None
            large = LargeFile(self._making, entry, opened(entry.found) if copy is None else copy, copy is not None)
        except OSError as error:
            yield _done(Read([], [], lost=[(entry.found.path, error)]))
            return
        stretches = large.stretches()
        for number, stretch in enumerate(stretches, 1):
            yield Unit(partial(large.read, stretch, number == len(stretches)))
        if not stretches:
            yield _done(Read([], [], large=large))

    def _reused(self, entries: list[Entry]) -> Unit | None:
        """From the capture before, if all of them are as they were, and stood together."""
        expected = sum(entry.expected for entry in entries)
        self.all_bytes += expected
        members = [entry.earlier for entry in entries if entry.earlier is not None]
        segments = None
        if len(members) == len(entries) and all(one.end == other.offset for one, other in pairwise(members)):
            segments = self._earlier.segments(members[0].offset, members[-1].end)
        if segments is None:
            self.new_bytes += expected
            return None
        read = Read(members, segments, members[0].offset, entries=_with_links(entries))
        return Unit(lambda: read, is_reused=True)

    def _read(self, entries: list[Entry]) -> Read:
        done = Read([], [], entries=_with_links(entries))
        text = bytearray()
        unreadable: list[tuple[int, int]] = []
        for entry in entries:
            done.seen_before |= entry.seen_before
            try:
                if entry.kind == "file":
                    self._append_file(entry, text, done, unreadable)
                else:
                    self._append(entry, text, done)
            except OSError as error:
                done.lost.append((entry.found.path, error))
            except Malformed as error:
                done.lost.append((entry.found.path, OSError(errno.EINVAL, str(error))))
        if text:
            done.segments.append(self._making.maker.make(0, memoryview(text), tuple(unreadable)))
        return done

    def _append(self, entry: Entry, text: bytearray, done: Read) -> None:
        """What is no file. Raises OSError, Malformed."""
        attributes: dict[bytes, bytes] = {}  # of a hard link, they stand with the file
        if entry.kind != "hard link":
            place = path_of(entry.found.within, entry.found.name)
            attributes = attributes_of(place)
            if entry.kind == "link":
                entry = replace(entry, target=os.fsencode(os.readlink(place)))  # noqa: PTH115 - a path would change it
        if entry.kind in ("character device", "block device"):
            device = entry.found.status.st_rdev
            entry = replace(entry, target=b"%d:%d" % (os.major(device), os.minor(device)))
        member, head = self._making.make(entry, entry.found.status, 0, attributes, offset=len(text))
        done.members.append(member)
        text += head

    def _append_file(self, entry: Entry, text: bytearray, done: Read, unreadable: list[tuple[int, int]]) -> None:
        """Raises OSError, Malformed; then nothing was appended."""
        descriptor = opened(entry.found)
        try:
            for _ in range(TRIES):
                status = os.fstat(descriptor)
                pieces = pieces_of(descriptor, status)
                content, lost, is_whole = _content(descriptor, [(0, status.st_size)] if pieces is None else pieces)
                self._making.limit(len(content))
                attributes = attributes_of(descriptor)
                is_torn = not is_whole or not is_unchanged(status, os.fstat(descriptor))
                if not is_torn:
                    break
        finally:
            os.close(descriptor)
        member, head = self._making.make(entry, status, status.st_size, attributes, pieces, len(text), is_torn)
        done.members.append(member)
        text += head
        unreadable += [(len(text) + low, len(text) + high) for low, high in lost]
        text += content
        text += bytes(padded(len(content)) - len(content))
        done.read_bytes += len(content)
        if status.st_ino != entry.found.status.st_ino:
            done.parted.append(entry.found.path)
        if lost:
            done.hurt.append(entry.found.path)


def _is_large(entry: Entry) -> bool:
    return entry.kind == "file" and (entry.found.status.st_size >= LARGE or entry.found.is_database)


def _with_links(entries: Sequence[Entry]) -> Sequence[Entry]:
    return entries if any(entry.kind == "hard link" for entry in entries) else ()


def _done(read: Read) -> Unit:
    return Unit(lambda: read)


def _content(descriptor: int, pieces: list[tuple[int, int]]) -> tuple[bytearray, list[tuple[int, int]], bool]:
    """What stands in `pieces`, one after the other; which bytes of that the disk lost; and whether all was there."""
    content = bytearray(sum(length for _, length in pieces))
    lost: list[tuple[int, int]] = []
    at, is_whole = 0, True
    with memoryview(content) as view:
        for offset, length in pieces:
            count, more = read_stretch(descriptor, offset, view[at : at + length])
            lost += [(at + low, at + high) for low, high in more]
            is_whole &= count == length
            at += length
    return content, lost, is_whole
