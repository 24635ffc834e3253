"""A capture made ready for another card than the one that it was taken of: in scratch files, before a card is touched.

1. The capture is restored into nameless files, one for each volume and one for the rest (`scratch_image`).
2. The last file system is checked, and made larger or smaller; if it is wanted, all get other identities.
3. The table is written anew for the new places and sizes.
4. All is put together, looked at by the same readers that look at a card for a capture, and given out as a source that
   is written to a card like a capture: what is free in it is not written.

Whatever ends it, a kill or a power cut included, the files are gone, since they have no names, and the card is as it
was: it is erased only when all this is done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from backupctl.board import ext4_tools
from backupctl.board.scratch import ScratchFile, room
from backupctl.domain.errors import Refused
from backupctl.domain.events import History
from backupctl.domain.fitting import RESIZABLE, Piece, as_it_is
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size
from backupctl.formats import ext4
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.operations.restoring.captured_layout import held_in_words, in_use_of, pieces_of
from backupctl.operations.restoring.card_making import CardMaking, Wishes, content_bytes
from backupctl.operations.restoring.cloning import Cloned, cloned
from backupctl.operations.restoring.restore import pour
from backupctl.operations.restoring.scratch_image import ScratchSource
from backupctl.operations.restoring.stitching import Stretch
from backupctl.share.shelf import Shelf

_SPARE_BYTES = 64 << 20
_OWN_SHARE = 50  # one fiftieth of what grows: inode tables and bitmaps
_LOOK_BYTES = 1 << 20
MAKING_READY = "making it ready"


@dataclass(frozen=True)
class Prepared:
    """What was made ready. `changes` and `warnings` are in words, for the plan."""

    source: ScratchSource
    changes: tuple[str, ...]
    warnings: tuple[str, ...]
    picked: dict[str, Any] | None = None  # of a capture of files: what became of them
    files: Mapping[int, ScratchFile] = field(default_factory=dict)  # then also: its volumes, by number

    @property
    def holds(self) -> tuple[str, ...]:
        """Its volumes, in words."""
        volumes = self.source.card_map.volumes
        return tuple(held_in_words(v.partition and v.partition.number, v.map.kind, v.end - v.start) for v in volumes)


@contextmanager
def prepared(
    shelf: Shelf, history: History, record: CaptureRecord, wishes: Wishes, folder: Path, reporter: Reporter, stop: Stop
) -> Iterator[Prepared]:
    """For as long as the block lasts. Raises Refused, with by how much, if it cannot be done."""
    pieces = pieces_of(record)
    need = record.in_use_bytes + max(0, record.stream_bytes - wishes.card_size)
    need += max(0, wishes.card_size - record.stream_bytes) // _OWN_SHARE if wishes.fill else 0
    refuse_without_room(folder, need)
    announce(reporter, folder, need)
    with ExitStack() as stack:

        def scratch(length: int) -> ScratchFile:
            file = ScratchFile(folder, length)
            stack.callback(file.close)
            return file

        rest = scratch(record.stream_bytes)
        files = {piece.number: scratch(piece.end - piece.start) for piece in pieces}
        yield _Preparing(record, wishes, pieces, rest, files, reporter, stop).run(shelf, history)


def announce(reporter: Reporter, folder: Path, need: int) -> None:
    reporter.note(
        f"First, what is to be written is made ready in {folder} (up to {size(need)}). The files there have no names, "
        "hold all that the card held, keys included, and are deleted when this ends, however it ends."
    )


def refuse_without_room(folder: Path, need: int) -> None:
    """Raises Refused unless so many bytes, and a few more, have room there."""
    if not folder.is_dir():
        raise Refused(f"there is no folder {folder} for scratch files", "Name another folder: --scratch DIR.")
    there = room(folder)
    if there < need + _SPARE_BYTES:
        raise Refused(
            f"{folder} has room for {size(there)}, and up to {size(need)} are needed to make the capture ready",
            "Nothing was written. Name a folder with more room: --scratch DIR.",
        )


@dataclass(frozen=True)
class _Preparing:
    record: CaptureRecord
    wishes: Wishes
    pieces: list[Piece]
    rest: ScratchFile
    files: dict[int, ScratchFile]
    reporter: Reporter
    stop: Stop

    def run(self, shelf: Shelf, history: History) -> Prepared:
        making = CardMaking(self.record, self.record.stream_bytes, self.wishes, self.pieces, self.rest, self.files)
        before = making.stands(self.record.stream_bytes, as_it_is(self.pieces, None))

        def never(_: Stretch) -> bool:
            return False

        pour(shelf, history, self.record, before, never, self.reporter, self.stop, doing=MAKING_READY)
        table = making.table(before)
        fitted = making.fitted(before, table)
        changes: list[str] = []
        warnings: list[str] = []
        if fitted.why_not:
            warnings.append(f"{fitted.why_not}: the rest of the card stays unused")
        if fitted.resized:
            piece = fitted.resized
            start, end = fitted.places[piece.number]
            used = in_use_of(self.record, piece.number)
            changes += resized(piece, self.files[piece.number], end - start, used, warnings, self.reporter, self.stop)
        changes += [f"partition {number} (swap) moves along, and keeps its UUID" for number in fitted.moved]
        clone = Cloned()
        if self.wishes.clone:
            clone = cloned(self.pieces, self.files, table, self.wishes.clone, self.reporter, self.stop)
            changes += clone.changes
            warnings += clone.warnings
        content_end = making.write_rest(before, table, fitted, clone, warnings)
        if table and table.sector_size != self.wishes.sector_size:
            changes.append(f"the partition table is written for sectors of {self.wishes.sector_size} bytes")
        after = making.stands(self.wishes.card_size, fitted)
        return Prepared(
            ScratchSource(after, making.map(after, fitted, clone, content_end)), tuple(changes), tuple(warnings)
        )


def resized(
    piece: Piece, file: ScratchFile, length: int, used: int, warnings: list[str], reporter: Reporter, stop: Stop
) -> tuple[str, ...]:
    """Makes the file system in `file` so large that it fills `length` bytes; in words what was done.

    `used`: bytes, for the words. Raises Refused if it does not fit, or has errors.
    """
    step = step_by_step(reporter, stop)
    step(f"checking {piece.name}")
    superblock = _superblock(file, piece)
    behind = content_bytes(file, superblock.blocks * superblock.block_size, file.size)
    if behind:
        warnings.append(f"{size(behind)} behind the file system of {piece.name}, in its partition, are left out")
    ext4_tools.make_clean(file.path, piece.name)
    superblock = _superblock(file, piece)
    block = superblock.block_size
    blocks = length // block
    smaller = blocks < superblock.blocks
    figures = f"{size(used)} in use"
    if smaller:
        step(f"asking how small {piece.name} can be")
        least = ext4_tools.smallest(file.path)
        figures += f", at the least {size(least * block)}"
        if least > blocks:
            raise does_not_fit(piece, used, least * block, blocks * block)
    file.resize(max(file.size, length))
    if blocks != superblock.blocks:
        step(f"making {piece.name} {'smaller' if smaller else 'larger'}")
        ext4_tools.resize(file.path, blocks)
        step(f"checking {piece.name} again")
        ext4_tools.judge(file.path, piece.name)
    file.resize(length)
    was = piece.end - piece.start
    by = f"{'shrinks' if length < was else 'grows'} by {size(abs(length - was))}, from {size(was)} to {size(length)}"
    return (f"{piece.name} ({piece.kind}) {by} ({figures})",)


def does_not_fit(piece: Piece, used: int, least: int, there: int) -> Refused:
    """Says by how much."""
    return Refused(
        f"{piece.name} does not fit: {size(used)} of it are in use, so that it needs at "
        f"least {size(least)}, and there is room for {size(there)}: {least - there} bytes ({size(least - there)}) are "
        "missing",
        "Nothing was written. Take a larger card, or an earlier capture of which less was in use.",
    )


def _superblock(file: ScratchFile, piece: Piece) -> ext4.Superblock:
    found = ext4.parse_superblock(file.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH))
    if found is None or found.log_block_size > 6 or piece.kind not in RESIZABLE:
        raise Refused(f"{piece.name} holds no ext file system that can be changed", "Nothing was written.")
    return found
