"""Cards that are smaller than they say, lose writes, or fail: noticed, the place named, and left looking empty."""

from __future__ import annotations

import errno
import random
from dataclasses import dataclass, field

import pytest

from backupctl.domain.errors import BackupctlError, Exit
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import this_machine
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.restoring.card_source import CaptureSource
from backupctl.operations.restoring.card_writing import CardWriter
from backupctl.operations.shares.adopt import adopt
from backupctl.share.shelf import Shelf, open_shelf

MIB = 1 << 20
STREAM = 40 * MIB
CARD = STREAM + 12 * MIB


@dataclass
class MemoryCard:
    """A card that keeps its word; the others break it."""

    memory: bytearray = field(default_factory=lambda: bytearray(b"\xff" * CARD), repr=False)
    size: int = field(default=CARD, repr=False)
    as_read: bytes = field(default=b"", repr=False)  # the whole card, when reading back began

    def _store(self, offset: int, data: bytes) -> None:
        self.memory[offset : offset + len(data)] = data

    def _load(self, offset: int, length: int) -> bytes:
        return bytes(self.memory[offset : offset + length])

    def write(self, offset: int, data: bytes) -> None:
        assert offset >= 0 and offset + len(data) <= self.size
        self._store(offset, data)

    def zero(self, offset: int, length: int) -> None:
        self.write(offset, bytes(length))

    def discard(self, offset: int, length: int) -> bool:
        return False

    def flush(self) -> None: ...

    def read_at(self, offset: int, length: int) -> bytes:
        self.as_read = self.as_read or self._load(0, self.size)
        return self._load(offset, length)

    def reread_partitions(self) -> bool:
        return True


@dataclass
class WrapsAround(MemoryCard):
    """Has `real` bytes, and takes a place beyond them for one before. Whoever looks at once finds what was written."""

    real: int = 24 * MIB

    def _store(self, offset: int, data: bytes) -> None:
        for at in range(0, len(data), MIB // 2):
            piece = data[at : at + MIB // 2]
            start = (offset + at) % self.real
            self.memory[start : start + len(piece)] = piece
        assert self._load(offset, len(data)) == data

    def _load(self, offset: int, length: int) -> bytes:
        pieces = []
        for at in range(offset, offset + length, MIB // 2):
            start = at % self.real
            pieces.append(self.memory[start : start + min(MIB // 2, offset + length - at)])
        return b"".join(pieces)


@dataclass
class DropsWrites(MemoryCard):
    """Forgets what is written from `real` on."""

    real: int = 24 * MIB + 512

    def _store(self, offset: int, data: bytes) -> None:
        super()._store(offset, data[: max(0, self.real - offset)])


@dataclass
class FlipsBit(MemoryCard):
    """One bit of one byte never is what was written."""

    place: int = 0

    def _load(self, offset: int, length: int) -> bytes:
        data = bytearray(super()._load(offset, length))
        if offset <= self.place < offset + length:
            data[self.place - offset] ^= 0x10
        return bytes(data)


@dataclass
class Fails(MemoryCard):
    """Cannot be written or read at `place`."""

    place: int = 30 * MIB
    writing: bool = False

    def _fail(self, offset: int, length: int) -> None:
        if offset <= self.place < offset + length:
            raise OSError(errno.EIO, "Input/output error")

    def _store(self, offset: int, data: bytes) -> None:
        if self.writing:
            self._fail(offset, len(data))
        super()._store(offset, data)

    def read_at(self, offset: int, length: int) -> bytes:
        if not self.writing:
            self._fail(offset, length)
        return super().read_at(offset, length)


@dataclass
class Listener(Quiet):
    notes: list[str] = field(default_factory=list)

    def note(self, text: str) -> None:
        self.notes.append(text)


@pytest.fixture(scope="module")
def source() -> bytes:
    """No two places alike, but for zeros from 20 to 22 MiB."""
    rng = random.Random(7)
    return rng.randbytes(20 * MIB) + bytes(2 * MIB) + rng.randbytes(18 * MIB)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, source: bytes) -> Shelf:
    folder = tmp_path_factory.mktemp("bad-cards")
    (folder / "card.img").write_bytes(source)
    (folder / "share").mkdir()
    facts = this_machine(folder / "state")
    adopt(folder / "share", "weather-mast", same_machine=True, policy=Policy(), facts=facts)
    shelf = open_shelf(folder / "share", "weather-mast")
    capture(shelf, CaptureOptions(folder / "card.img", Policy()), facts, Quiet(), Stop())
    return shelf


def put(card: MemoryCard, shelf: Shelf, wipe_free: bool = False, listener: Listener | None = None) -> None:
    captures, history = captures_of(shelf)
    reporter = listener or Listener()
    source = CaptureSource(shelf, history, captures.records[-1], reporter.note)
    CardWriter(card, "/dev/card", source, wipe_free, reporter, Stop()).put()


def told(card: MemoryCard, shelf: Shelf) -> tuple[str, str]:
    """The error's words, and the last note."""
    listener = Listener()
    with pytest.raises(BackupctlError) as error:
        put(card, shelf, listener=listener)
    # The share is in order, so this is not the code for damage there.
    assert error.value.exit_code == Exit.FAILED
    assert "another card" in error.value.hint
    return error.value.cause, listener.notes[-1]


@pytest.mark.parametrize("wipe_free", [False, True])
def test_a_card_that_keeps_its_word(shelf: Shelf, source: bytes, wipe_free: bool) -> None:
    card = MemoryCard()
    put(card, shelf, wipe_free)
    assert card.memory[:STREAM] == source
    assert card.memory[STREAM : STREAM + 4 * MIB] == (b"\0" if wipe_free else b"\xff") * 4 * MIB
    assert card.memory[-8 * MIB :] == bytes(8 * MIB)


@pytest.mark.parametrize(
    "card",
    [
        *(WrapsAround(real=real) for real in (24 * MIB, STREAM)),
        *(DropsWrites(real=real) for real in (9 * MIB, 24 * MIB + 512, STREAM + 5 * MIB)),
        # Near either end, in the middle, in what must be zero.
        *(FlipsBit(place=place) for place in (3, 15 * MIB + 17, 21 * MIB, STREAM - 40, CARD - 1)),
    ],
    ids=str,
)
def test_a_card_that_breaks_it(card: MemoryCard, shelf: Shelf, source: bytes) -> None:
    cause, note = told(card, shelf)
    # What lies between the stream and the end that is made zero is nobody's.
    should = bytearray(card.as_read)
    should[:STREAM] = source
    should[-8 * MIB :] = bytes(8 * MIB)
    near = next(at for at in range(0, CARD, 4096) if card.as_read[at : at + 4096] != should[at : at + 4096])
    first = next(at for at in range(near, near + 4096) if card.as_read[at] != should[at])
    assert f"from byte {first} on" in cause
    assert "left without a partition table" in note
    assert not any(card.memory[: 8 * MIB])


@pytest.mark.parametrize("writing", [False, True])
def test_a_card_that_fails(shelf: Shelf, writing: bool) -> None:
    card = Fails(writing=writing)
    cause, note = told(card, shelf)
    assert f"cannot be {'written' if writing else 'read back'} at byte {30 * MIB}: Input/output error" in cause
    assert "left without a partition table" in note
    assert not any(card.memory[: 8 * MIB])


def test_a_card_that_cannot_even_be_made_to_look_empty(shelf: Shelf) -> None:
    cause, note = told(Fails(writing=True, place=100), shelf)
    assert "cannot be erased" in cause
    assert "do not trust what is on it" in note
