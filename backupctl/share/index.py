"""Which segments a shelf holds: arrays with an open-addressing table, not objects.

A million segments take 24 MiB (52 MiB with their places); a dictionary of objects took 249 MiB and more.
"""

from __future__ import annotations

import tempfile
from array import array
from typing import IO

from backupctl.domain.segments import Place

_EMPTY = 0
_SHA_IN_MEMORY = 4 << 20


class SegmentIndex:
    """A set of segments by hash, numbered from 0 in the order of `add`.

    SHA-256 sums, which only the digest of a capture needs, go to a temporary file once they are many. `add` may be
    called by one thread while others call `find`: a slot is filled last.
    """

    def __init__(self, hash_length: int, with_places: bool = False) -> None:
        self._length = hash_length
        self._hashes = bytearray()
        self._slots = array("I", bytes(4 * (1 << 12)))
        self._count = 0
        self._parts: list[str] = []
        self._part_numbers: dict[str, int] = {}
        self._part = array("I")
        self._places = (array("I"), array("I"), array("I")) if with_places else None
        self._sums: IO[bytes] | None = None  # made when the first sum comes

    def __len__(self) -> int:
        return self._count

    def close(self) -> None:
        if self._sums is not None:
            self._sums.close()

    def find(self, hash: bytes) -> int:
        """The number of a segment, or -1."""
        slots, hashes, length = self._slots, self._hashes, self._length
        mask = len(slots) - 1
        slot = int.from_bytes(hash[-8:]) & mask
        while (number := slots[slot]) != _EMPTY:
            at = (number - 1) * length
            if hashes[at : at + length] == hash:
                return number - 1
            slot = (slot + 1) & mask
        return -1

    def add(self, hash: bytes, part: str = "", sha256: bytes = b"", place: Place | None = None) -> int:
        """Its number; a segment that is there already gets the new part and place."""
        number = self.find(hash)
        if number >= 0:
            self._put(number, part, sha256, place)
            return number
        number = self._count
        self._hashes += hash
        self._part.append(0)
        for column in self._places or ():
            column.append(0)
        self._put(number, part, sha256, place)
        self._count = number + 1
        if 3 * self._count > 2 * len(self._slots):
            self._grow()
        else:
            self._fill(self._slots, number)
        return number

    def _put(self, number: int, part: str, sha256: bytes, place: Place | None) -> None:
        self._part[number] = self.part_number(part)
        if sha256:
            if self._sums is None:
                self._sums = tempfile.SpooledTemporaryFile(max_size=_SHA_IN_MEMORY)  # noqa: SIM115 - lives as long
            self._sums.seek(32 * number)
            self._sums.write(sha256)
        if self._places is not None and place is not None:
            offsets, storeds, lengths = self._places
            offsets[number], storeds[number], lengths[number] = place.offset // 512, place.stored // 512, place.length

    def part_number(self, part: str) -> int:
        """The number that `part_number_of` gives for segments of this part."""
        number = self._part_numbers.get(part)
        if number is None:
            number = self._part_numbers[part] = len(self._parts)
            self._parts.append(part)
        return number

    def _fill(self, slots: array[int], number: int) -> None:
        mask = len(slots) - 1
        at = number * self._length
        slot = int.from_bytes(self._hashes[at + self._length - 8 : at + self._length]) & mask
        while slots[slot] != _EMPTY:
            slot = (slot + 1) & mask
        slots[slot] = number + 1

    def _grow(self) -> None:
        slots = array("I", bytes(8 * len(self._slots)))
        for number in range(self._count):
            self._fill(slots, number)
        self._slots = slots

    def hash_of(self, number: int) -> bytes:
        return bytes(self._hashes[number * self._length : (number + 1) * self._length])

    def part_number_of(self, number: int) -> int:
        return self._part[number]

    def part_by_number(self, part_number: int) -> str:
        return self._parts[part_number]

    def sha256_of(self, number: int) -> bytes:
        """Of an index to which sums were added."""
        if self._sums is None:
            raise ValueError("this index keeps no sums")
        self._sums.seek(32 * number)
        return self._sums.read(32)

    def place_of(self, number: int) -> Place | None:
        """Of an index made `with_places`; None if none was ever given."""
        if self._places is None:
            raise ValueError("this index keeps no places")
        offsets, storeds, lengths = self._places
        if not lengths[number]:
            return None
        part = self._parts[self._part[number]]
        return Place(part, 512 * offsets[number], 512 * storeds[number], lengths[number])
