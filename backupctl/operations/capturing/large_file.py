"""A large file of a tree: its header is a segment by itself, its contents are cut at fixed places within the file."""

from __future__ import annotations

import os
from collections.abc import Iterator

from backupctl.board.tree_files import attributes_of, path_of, pieces_of, read_stretch
from backupctl.domain.members import padded
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.capturing.member_making import Entry, MemberMaking, Pieces, Read, is_unchanged

_PIECES_MOST = 40_000  # one with more is stored with its holes as zeros: a map would be longer than they are


class LargeFile:
    """Open until nobody needs its stretches any more. `read` is called by several threads."""

    def __init__(self, making: MemberMaking, entry: Entry, descriptor: int, is_copy: bool = False) -> None:
        """Takes the descriptor. `is_copy`: it is of something else that stands for the file. Raises OSError."""
        self._making = making
        self._entry = entry
        self._descriptor = descriptor
        self._is_copy = is_copy
        self._look()

    def __del__(self) -> None:
        os.close(self._descriptor)

    def _look(self) -> None:
        self._status = os.fstat(self._descriptor)
        pieces = pieces_of(self._descriptor, self._status)
        self._pieces = None if pieces is None or len(pieces) > _PIECES_MOST else pieces
        self._is_short = False
        self._error: OSError | None = None

    @property
    def path(self) -> bytes:
        return self._entry.found.path

    @property
    def _all(self) -> Pieces:
        return [(0, self._status.st_size)] if self._pieces is None else self._pieces

    @property
    def stored_bytes(self) -> int:
        """Of its contents, without holes."""
        return sum(length for _, length in self._all)

    def stretches(self) -> list[Pieces]:
        """What of the file makes a segment each: never over a place that is a multiple of SEGMENT_BYTES."""
        found: list[list[tuple[int, int]]] = []
        last = -1
        for offset, length in self._all:
            at, end = offset, offset + length
            while at < end:
                cell = at // SEGMENT_BYTES
                stop = min(end, (cell + 1) * SEGMENT_BYTES)
                if cell != last:
                    found.append([])
                    last = cell
                found[-1].append((at, stop - at))
                at = stop
        return list(found)

    def read(self, stretch: Pieces, is_last: bool) -> Read:
        """One segment of its contents; none if that fails for what is no error of the disk, of which `head` tells."""
        try:
            return self._read(stretch, is_last)
        except OSError as error:
            self._error = error
            return Read([], [], large=self, is_last=is_last)

    def _read(self, stretch: Pieces, is_last: bool) -> Read:
        length = sum(count for _, count in stretch)
        fill = padded(self.stored_bytes) - self.stored_bytes if is_last else 0
        lost: list[tuple[int, int]] = []
        at = 0
        with memoryview(bytearray(length + fill)) as view:
            for offset, count in stretch:
                there, more = read_stretch(self._descriptor, offset, view[at : at + count])
                self._is_short |= there < count
                lost += [(at + low, at + high) for low, high in more]
                at += count
            self._making.limit(length)
            segment = self._making.maker.make(0, view, tuple(lost))
        return Read(
            [], [segment], self._entry.seen_before, read_bytes=length, hurt=[self.path] if lost else [], large=self,
            is_last=is_last,
        )  # fmt: skip

    def is_as_it_was(self) -> bool:
        """Whether what was read is of one moment: nobody has written to it since it was looked at."""
        return not self._is_short and (self._is_copy or is_unchanged(self._status, os.fstat(self._descriptor)))

    def again(self) -> Iterator[Read]:
        """All of it, as it is now. Raises OSError."""
        self._look()
        stretches = self.stretches()
        for number, stretch in enumerate(stretches, 1):
            yield self.read(stretch, number == len(stretches))

    def head(self, torn: bool) -> Read:
        """The member, and the segment of its header. Raises OSError where a stretch could not be read, Malformed."""
        if self._error is not None:
            raise self._error
        found = self._entry.found
        status, attributes = self._status, attributes_of(self._descriptor)
        if self._is_copy:
            status, attributes = found.status, attributes_of(path_of(found.within, found.name))
        size = self._status.st_size
        member, head = self._making.make(self._entry, status, size, attributes, self._pieces, torn=torn)
        with memoryview(head) as view:
            read = Read([member], [self._making.maker.make(0, view)], self._entry.seen_before)
        if not self._is_copy and status.st_ino != found.status.st_ino:
            read.parted.append(self.path)
        return read
