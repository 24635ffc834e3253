"""One partition of a capture made ready in a scratch file, for a place that may be smaller or larger than its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from backupctl.board.scratch import ScratchFile
from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import NotFound, Refused
from backupctl.domain.events import History
from backupctl.domain.files_policy import IMAGE
from backupctl.domain.fitting import RESIZABLE, Piece
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size
from backupctl.formats.volume import read_volume
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.captured_layout import in_use_of, pieces_of, sector_size_of
from backupctl.operations.restoring.preparing import MAKING_READY, Prepared, announce, refuse_without_room, resized
from backupctl.operations.restoring.restore import pour
from backupctl.operations.restoring.scratch_image import ScratchSource, Stand, Stands
from backupctl.operations.restoring.stitching import Stretch
from backupctl.share.shelf import Shelf


def piece_numbered(record: CaptureRecord, number: int) -> Piece:
    """Raises NotFound, Refused for a record that makes no sense, or of files."""
    if record.kind != IMAGE:
        raise Refused(f"{record.id} holds files, and no partitions as they were", "Restore a whole card, or a folder.")
    pieces = {piece.number: piece for piece in pieces_of(record) if piece.number}
    if number not in pieces:
        there = f"has the partitions {', '.join(map(str, sorted(pieces)))}" if pieces else "has no partition table"
        raise NotFound(f"{record.id} has no partition {number}: its card {there}", "See `backupctl show`.")
    return pieces[number]


@dataclass(frozen=True)
class Place:
    """Where a partition is to go, in words and in bytes."""

    name: str
    size: int
    sector_size: int


@contextmanager
def prepared_partition(
    shelf: Shelf, history: History, record: CaptureRecord, piece: Piece, place: Place, fill: bool, shrink: bool,
    folder: Path, reporter: Reporter, stop: Stop,
) -> Iterator[Prepared]:  # fmt: skip
    """For as long as the block lasts. Raises Refused, with by how much, if it does not fit."""
    length = piece.end - piece.start
    warnings = []
    if place.size < length and not shrink:
        raise Refused(
            f"{place.name} is {length - place.size} bytes ({size(length - place.size)}) smaller than {piece.name} was",
            "Say --shrink to have its file system made smaller on the way (ext2 to ext4), or take a larger place.",
        )
    if place.size < length and piece.kind not in RESIZABLE:
        raise Refused(f"{piece.name} holds {piece.kind}, which cannot be made smaller", "Take a larger place.")
    if sector_size_of(record) < place.sector_size:
        raise Refused(
            f"{place.name} has sectors of {place.sector_size} bytes, and the captured card had smaller ones",
            "Nothing was written. Take another card, or the same one in another reader: some readers change it.",
        )
    grows = fill and place.size > length and piece.kind in RESIZABLE
    if place.size > length and not grows:
        kept = "--fill has its file system grow" if piece.kind in RESIZABLE else f"{piece.kind} stays as large as it is"
        warnings.append(f"{size(place.size - length)} of {place.name} stay unused: {kept}")
    need = in_use_of(record, piece.number)
    refuse_without_room(folder, need)
    announce(reporter, folder, need)
    file = ScratchFile(folder, length)
    try:
        stands = Stands(record.stream_bytes, [Stand(piece.start, piece.end, file, 0)])
        pour(shelf, history, record, stands, lambda _: False, reporter, stop, _touching(piece), MAKING_READY)
        changes: tuple[str, ...] = ()
        if grows or place.size < length:
            changes = resized(piece, file, place.size, need, warnings, reporter, stop)
        found = read_volume(file)
        card_map = CardMap(file.size, place.sector_size, None, (), found.free, found.zero - found.free, found.warnings)
        source = ScratchSource(Stands(file.size, [Stand(0, file.size, file, 0)]), card_map)
        yield Prepared(source, changes, tuple(warnings))
    finally:
        file.close()


def _touching(piece: Piece) -> Callable[[Stretch], bool]:
    def touches(stretch: Stretch) -> bool:
        return stretch.entry.offset < piece.end and stretch.entry.offset + stretch.entry.length > piece.start

    return touches
