"""A card that is made in scratch files: where its volumes go, the table for that, and the map of the whole.

The readers that look at a card for a capture look at what was made, before anything is written to a card.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from backupctl.board.scratch import ScratchFile
from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.fitting import RESIZABLE, Fitted, Piece, fit
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size
from backupctl.domain.volume import PartitionTable
from backupctl.formats import mbr
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.table_writing import NewTable, rewritten, usable_end
from backupctl.operations.card_map import read_card_map
from backupctl.operations.restoring.captured_layout import sector_size_of
from backupctl.operations.restoring.cloning import Cloned, CloneWishes
from backupctl.operations.restoring.scratch_image import Stand, Stands

_LOOK_BYTES = 1 << 20


@dataclass(frozen=True)
class Wishes:
    """What the restored card is to be, other than the captured one; bytes."""

    card_size: int
    sector_size: int
    fill: bool = False
    clone: CloneWishes = field(default_factory=CloneWishes)


@dataclass(frozen=True)
class CardMaking:
    """`captured_size`: of the card that was captured, in bytes. `rest`: what lies outside its volumes, by place."""

    record: CaptureRecord
    captured_size: int
    wishes: Wishes
    pieces: list[Piece]
    rest: ScratchFile
    files: Mapping[int, ScratchFile]

    def stands(self, card_size: int, fitted: Fitted) -> Stands:
        volumes = [Stand(*fitted.places[number], file, 0) for number, file in self.files.items()]
        between = Ranges(fitted.places.values()).inverted(0, card_size)
        return Stands(card_size, [*volumes, *(Stand(start, end, self.rest, start) for start, end in between)])

    def table(self, image: Stands) -> PartitionTable | None:
        table = read_partition_table(image, sector_size_of(self.record))
        found = [(p.number, p.start, p.end) for p in table.partitions] if table else []
        said = [(piece.number, piece.start, piece.end) for piece in self.pieces if piece.number]
        if sorted(found) != sorted(said):
            raise Refused(
                f"record and partition table of {self.record.id} do not agree",
                "Nothing was written. Restore it unchanged, onto a card that is as large.",
            )
        if table and any(table.structures.touches(piece.start, piece.end) for piece in self.pieces):
            raise Refused(
                "a partition of this card lies over the partition table itself, so that neither can be changed",
                "Nothing was written. Restore it unchanged, onto a card that is as large.",
            )
        return table

    def fitted(self, image: Stands, table: PartitionTable | None, resizable: Collection[str] = RESIZABLE) -> Fitted:
        wishes = self.wishes
        if table is None:
            return fit(self.pieces, None, wishes.card_size, wishes.fill, resizable)
        container = None
        if table.scheme == "mbr":
            container = mbr.extended_partition(image.read_at(0, mbr.RECORD), table.sector_size)
        end = usable_end(table, image, wishes.card_size, wishes.sector_size)
        return fit(self.pieces, container, end, wishes.fill, resizable)

    def write_rest(
        self, before: Stands, table: PartitionTable | None, fitted: Fitted, clone: Cloned, warnings: list[str]
    ) -> int:
        """What lies outside the volumes: all up to where things change place. Returns where the content ends."""
        card_size, stream = self.wishes.card_size, self.captured_size
        cut = fitted.resized.end if fitted.resized else min(stream, card_size)
        places = {number: place for number, place in fitted.places.items() if number}
        new = NewTable(card_size, self.wishes.sector_size, places, fitted.container, clone.disk, clone.partitions)
        patches = rewritten(before, table, new) if table else []
        if table:
            for start, end in table.structures.within(table.sector_size, stream):
                self.rest.write(start, bytes(end - start))
        left_out = sum(content_bytes(self.rest, start, end) for start, end in self._gaps().within(cut, stream))
        if left_out:
            warnings.append(f"{size(left_out)} that stood behind the partitions, outside all of them, are left out")
        self.rest.resize(cut)
        self.rest.resize(card_size)
        for offset, content in patches:
            self.rest.write(offset, content)
        if fitted.resized:
            return max(end for _, end in fitted.places.values())
        return cut

    def _gaps(self) -> Ranges:
        return Ranges((piece.start, piece.end) for piece in self.pieces).inverted(0, self.captured_size)

    def map(
        self, image: Stands, fitted: Fitted, clone: Cloned, content_end: int, made_anew: Collection[int] = ()
    ) -> CardMap:
        """`made_anew`: numbers of volumes that were made in files of zeros, so that what has no blocks is free."""
        found = read_card_map(image, self.wishes.sector_size)
        places = {volume.partition.number if volume.partition else 0: volume for volume in found.volumes}
        for number, place in fitted.places.items():
            volume = places.get(number)
            if volume is None or volume.start != place[0] or (number and volume.end != place[1]):
                raise BackupctlError(
                    f"the table that was written does not have partition {number} where it should be",
                    "Nothing was written to the card. Tell the makers of this program.",
                )
            is_resized = fitted.resized is not None and fitted.resized.number == number
            if is_resized and volume.map.kind in RESIZABLE and volume.map.warnings:
                raise BackupctlError(
                    f"{_name(number)} cannot be read after it was changed: {'; '.join(volume.map.warnings)}",
                    "Nothing was written to the card. Tell the makers of this program.",
                )
        if clone.disk and (found.table is None or found.table.identity != clone.disk):
            raise BackupctlError("the table that was written does not have its new identity", "Nothing was written.")
        structures = found.table.structures if found.table else Ranges()
        behind = Ranges([(min(content_end, image.size), image.size)]) - structures
        # What the capture's policy left out was not captured: it is not known to be zeros.
        left_out = Ranges(fitted.places[piece.number] for piece in self.pieces if piece.kind == "left out")
        free = found.free | behind | left_out
        for number in made_anew:
            if not places[number].map.block_size:  # no map is made of it
                start, file = places[number].start, self.files[number]
                free |= Ranges(file.written(0, file.size)).inverted(0, file.size).shifted(start)
        return replace(found, free=free, zero=found.zero - free)


def _name(number: int) -> str:
    return f"partition {number}" if number else "the card's file system"


def content_bytes(file: ScratchFile, start: int, end: int) -> int:
    """Bytes there that are not zero, counted in whole pages."""
    found = 0
    for low, high in file.written(start, end):
        for at in range(low, high, _LOOK_BYTES):
            piece = file.read_at(at, min(_LOOK_BYTES, high - at))
            found += sum(len(page) for i in range(0, len(piece), 4096) if any(page := piece[i : i + 4096]))
    return found
