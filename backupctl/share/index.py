"""Which segments a shelf holds: arrays with an open-addressing table, not objects.

A million segments take 24 MiB (52 MiB with their places); a dictionary of objects took 249 MiB and more.
"""

from __future__ import annotations

import tempfile
from array import array
from collections.abc import Iterator, Sequence
from sys import byteorder
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
        self._parts = [""]
        self._part_numbers = {"": 0}
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
        slot = int.from_bytes(hash[-8:], byteorder) & mask
        while (number := slots[slot]) != _EMPTY and not hashes.startswith(hash, (number - 1) * length):
            slot = (slot + 1) & mask
        return number - 1

    def find_each(self, hashes: Sequence[bytes]) -> list[int]:
        """The same for many, in about two thirds of the time."""
        slots, held, length = self._slots, self._hashes, self._length
        mask = len(slots) - 1
        found = []
        for hash, key in zip(hashes, self._keys(b"".join(hashes)), strict=True):
            slot = key & mask
            while (number := slots[slot]) != _EMPTY and not held.startswith(hash, (number - 1) * length):
                slot = (slot + 1) & mask
            found.append(number - 1)
        return found

    def _keys(self, hashes: bytes | bytearray) -> array[int]:
        """Of each hash, where its search begins: its last eight bytes."""
        words = self._length // 8
        return array("Q", hashes)[words - 1 :: words]

    def add(self, hash: bytes, part: str = "", sha256: bytes = b"", place: Place | None = None) -> int:
        """Its number; a segment that is there already gets the new part and place, if there is one."""
        slots, hashes, length = self._slots, self._hashes, self._length
        mask = len(slots) - 1
        slot = int.from_bytes(hash[-8:], byteorder) & mask
        while (number := slots[slot]) != _EMPTY and not hashes.startswith(hash, (number - 1) * length):
            slot = (slot + 1) & mask
        if number == _EMPTY:
            number = self._count + 1
            hashes += hash
            self._part.append(0)
        if part:
            self._put(number - 1, part, sha256, place)
        if number > self._count:
            self._count = number
            if 3 * number > 2 * len(slots):
                self._grow()
            else:
                slots[slot] = number
        return number - 1

    def _put(self, number: int, part: str, sha256: bytes, place: Place | None) -> None:
        self._part[number] = self.part_number(part)
        if sha256:
            if self._sums is None:
                self._sums = tempfile.SpooledTemporaryFile(max_size=_SHA_IN_MEMORY)  # noqa: SIM115 - lives as long
            self._sums.seek(32 * number)
            self._sums.write(sha256)
        if self._places is not None and place is not None:
            self.put_place(number, place)

    def put_place(self, number: int, place: Place) -> None:
        """Where the segment of this number stands, in an index made `with_places`."""
        self.put_places(place.part, (number, *place[1:]))

    def put_places(self, part: str, places: Sequence[int]) -> None:
        """The same for many in one part; `places`: number, offset, stored and decoded length of each, in turns."""
        offsets, storeds, lengths = self._columns()
        parts, part_number = self._part, self.part_number(part)
        for number, offset, stored, length in zip(*[iter(places)] * 4, strict=True):
            parts[number] = part_number
            offsets[number], storeds[number], lengths[number] = offset // 512, stored // 512, length

    def _columns(self) -> tuple[array[int], array[int], array[int]]:
        if self._places is None:
            raise ValueError("this index keeps no places")
        missing = len(self._hashes) // self._length - len(self._places[0])
        if missing:
            for column in self._places:
                column.frombytes(bytes(4 * missing))
        return self._places

    def part_number(self, part: str) -> int:
        """The number that `part_number_of` gives for segments of this part."""
        number = self._part_numbers.get(part)
        if number is None:
            number = self._part_numbers[part] = len(self._parts)
            self._parts.append(part)
        return number

    def _grow(self) -> None:
        slots = array("I", bytes(8 * len(self._slots)))
        mask = len(slots) - 1
        for number, key in enumerate(self._keys(self._hashes), 1):
            slot = key & mask
            while slots[slot] != _EMPTY:
                slot = (slot + 1) & mask
            slots[slot] = number
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

    def stored_in(self) -> Iterator[tuple[int, int]]:
        """Of each segment in order, of an index made `with_places`: the number of its part, and its stored bytes.

        0 bytes if it has no place.
        """
        return ((part, 512 * stored) for part, stored in zip(self._part, self._columns()[1], strict=True))

    def place_of(self, number: int) -> Place | None:
        """Of an index made `with_places`; None if none was ever given."""
        offsets, storeds, lengths = self._columns()
        if not lengths[number]:
            return None
        part = self._parts[self._part[number]]
        return Place(part, 512 * offsets[number], 512 * storeds[number], lengths[number])
