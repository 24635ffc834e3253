"""Which cell each segment of an archive of files is, so that one archive can be compared with the next.

Places in an archive move with what stands before them. What stays is whose bytes a segment begins with: the member's
path, and which of its segments it is. To `domain.changes`, that is a cell.
"""

from __future__ import annotations

import hashlib
from array import array
from collections.abc import Sequence

from backupctl.domain.members import Member

_HASH_BYTES = 7
_MASK = (1 << 8 * _HASH_BYTES) - 1


class MemberCells:
    """`cells`: of the segments that begin at `starts`, in turn, as far as members were added."""

    def __init__(self, starts: Sequence[int]) -> None:
        """`starts`: offsets in the archive, ascending; the first member begins at the first."""
        self._starts = starts
        self.cells = array("Q")

    def add(self, member: Member) -> None:
        """The next one. A segment that several members share is that of the first."""
        first = number = 0
        while len(self.cells) < len(self._starts) and self._starts[len(self.cells)] < member.end:
            if not number:
                first = int.from_bytes(hashlib.blake2b(member.path, digest_size=_HASH_BYTES).digest(), "big")
            self.cells.append((first + number) & _MASK)
            number += 1
