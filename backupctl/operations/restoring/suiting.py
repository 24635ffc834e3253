"""What has to be changed so that a capture suits a card: its size, the size of its sectors, and what its owner wants.

Decided from the record, and from a few bytes of the capture, before anything is made ready or written.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from backupctl.domain.errors import Malformed, Refused, UsageError
from backupctl.domain.events import History
from backupctl.domain.files_policy import IMAGE
from backupctl.domain.fitting import RESIZABLE, STEP, Piece, fit
from backupctl.domain.record import CaptureRecord
from backupctl.domain.scratch import SCRATCH_FOLDER
from backupctl.domain.units import size
from backupctl.formats import ext4
from backupctl.formats.ext4_least import least_blocks, used_blocks
from backupctl.operations.progress import Reporter
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.operations.restoring.captured_layout import pieces_of, sector_size_of
from backupctl.operations.restoring.card_making import Wishes
from backupctl.operations.restoring.cloning import CloneWishes
from backupctl.operations.restoring.preparing import does_not_fit
from backupctl.share.shelf import Shelf

_BACKUP_GPT_BYTES = 33 * 512  # the least that one takes at the card's end; 5 sectors of 4096 are a little more
_HEAD_BYTES = 2048  # of a volume: a FAT's parameters, an ext4's superblock


@dataclass(frozen=True)
class Room:
    """What a capture is to go to: `name` is for messages; bytes."""

    name: str
    size: int
    sector_size: int


@dataclass(frozen=True)
class Changes:
    """What its owner wants to be other than in the capture. `may_ask`: somebody is there to be asked what was not
    said. `scratch`: where it is made ready."""

    fill: bool = False
    shrink: bool = False
    may_ask: bool = False
    clone: CloneWishes = field(default_factory=CloneWishes)
    scratch: Path = Path(SCRATCH_FOLDER)
    root_kind: str | None = None  # of a capture of files: the file system that the root is to have


@dataclass(frozen=True)
class Suited:
    """`wishes`: what to make ready; None if the capture goes onto the card as it is. `as_it_is`: then, for a file."""

    wishes: Wishes | None
    warnings: tuple[str, ...]
    as_it_is: Wishes


def suited(
    shelf: Shelf, history: History, record: CaptureRecord, room: Room, changes: Changes, reporter: Reporter
) -> Suited:
    """Asks what was not said. Raises Refused if the capture does not suit, and cannot be made to."""
    if record.kind != IMAGE:
        raise Refused(f"{record.id} holds files, not a card", "Choose a capture of kind image.")
    if changes.root_kind is not None:
        raise UsageError(
            f"{record.id} is a card as it was, file systems included", "--file-system is for captures of files."
        )
    look = _Look(shelf, history, record)
    is_other_sectors = room.sector_size != sector_size_of(record)
    if is_other_sectors:
        look.refuse_other_sectors(room)
    missing = record.stream_bytes - room.size
    fill, shrink, warnings = changes.fill, changes.shrink, list[str]()
    if missing > 0:
        figures = look.refuse_unless_it_can_fit(room)
        shrink = shrink or (changes.may_ask and reporter.ask(_shrink_question(record, room, figures), "shrink"))
        if not shrink:
            raise Refused(
                f"{room.name} is {missing} bytes ({size(missing)}) too small: it has {room.size}, and the capture "
                f"{record.stream_bytes}",
                f"Cards that are sold as the same size differ by some percent. {figures} Say --shrink, and the last "
                "file system is made smaller on the way; or take another card.",
            )
    elif -missing >= STEP:
        fill = fill or (changes.may_ask and reporter.ask(_fill_question(record, room), "fill"))
        if not fill:
            table = ", and moves the backup of the table to the end" if record.layout.get("scheme") == "gpt" else ""
            warnings.append(
                f"{size(-missing)} of {room.name} stay unused: --fill has the last file system grow over them{table}"
            )
    needed = missing > 0 or (fill and -missing >= STEP) or is_other_sectors or changes.clone
    wishes = Wishes(room.size, room.sector_size, fill and missing < 0, changes.clone)
    return Suited(wishes if needed else None, tuple(warnings), wishes)


def _shrink_question(record: CaptureRecord, room: Room, figures: str) -> str:
    return (
        f"{room.name} is smaller than the captured card: {room.size // 512} sectors of 512 bytes against "
        f"{record.stream_bytes // 512}. {figures}\nType shrink to have the last file system made smaller on the way:"
    )


def _fill_question(record: CaptureRecord, room: Room) -> str:
    return (
        f"{room.name} is {size(room.size - record.stream_bytes)} larger than the captured card.\n"
        "Type fill to have the last file system grow over that; anything else leaves it unused:"
    )


@dataclass(frozen=True)
class _Look:
    """At a capture, without restoring it."""

    shelf: Shelf
    history: History
    record: CaptureRecord

    def refuse_unless_it_can_fit(self, room: Room) -> str:
        """What is in use, in words. Raises Refused if what is needed is certainly more than there is."""
        pieces = pieces_of(self.record)
        behind = _BACKUP_GPT_BYTES if self.record.layout.get("scheme") == "gpt" else 0
        fitted = fit(pieces, None, room.size - behind, fill=False)
        piece = fitted.resized
        if piece is None:
            return "Only what lies behind its last partition has no room."
        start, end = fitted.places[piece.number]
        superblock = ext4.parse_superblock(self.head(piece)[ext4.SUPERBLOCK_OFFSET :].ljust(1024, b"\0"))
        try:
            if superblock is None:
                raise Malformed("ext4 superblock", piece.start, "one", "none")
            superblock.check(piece.end - piece.start, live=True)
        except Malformed as error:
            raise Refused(
                f"{piece.name} would have to be made smaller, and cannot be trusted: {error.cause}",
                "Nothing was written. Take a card that is as large as the captured one.",
            ) from None
        least = least_blocks(superblock) * superblock.block_size
        if least > end - start:
            raise does_not_fit(piece, used_blocks(superblock) * superblock.block_size, least, end - start)
        used = used_blocks(superblock) * superblock.block_size
        return (
            f"Of {piece.name} ({piece.kind}, {size(piece.end - piece.start)}), {size(used)} are in use, and there is "
            f"room for {size(end - start)}. The least that it needs is found, and told, before the card is touched."
        )

    def refuse_other_sectors(self, room: Room) -> None:
        """Raises Refused unless a table written anew is enough."""
        captured = sector_size_of(self.record)
        said = f"{room.name} has sectors of {room.sector_size} bytes, and the capture is of a card with sectors of "
        hint = "Nothing was written. Take another card, or the same one in another reader: some readers change it."
        for piece in pieces_of(self.record):
            if room.sector_size < captured:
                continue  # whatever counts in larger units can be read in smaller ones
            if piece.start % room.sector_size or piece.end % room.sector_size:
                raise Refused(f"{said}{captured}: {piece.name} is no whole number of the larger ones", hint)
            unit = self._unit(piece)
            if unit < room.sector_size:
                counts = f"counts in units of {unit} bytes" if unit else "may count in smaller units"
                raise Refused(
                    f"{said}{captured}: {piece.name} ({piece.kind}) {counts}, so that it could not be mounted there",
                    hint,
                )

    def _unit(self, piece: Piece) -> int:
        """What a volume reads and writes at the least, in bytes; 0 if that is not known."""
        if piece.kind == "swap":
            return 4096
        head = self.head(piece)
        if piece.kind in RESIZABLE:
            superblock = ext4.parse_superblock(head[ext4.SUPERBLOCK_OFFSET :].ljust(1024, b"\0"))
            return 1024 << superblock.log_block_size if superblock and superblock.log_block_size <= 6 else 0
        return int.from_bytes(head[11:13], "little") if piece.kind.startswith("fat") else 0

    def head(self, piece: Piece) -> bytes:
        """The first bytes of a volume, from the share."""
        length = min(_HEAD_BYTES, piece.end - piece.start)
        with CaptureView(self.shelf, self.history, self.record, lambda _: None) as view:
            return view.read_at(piece.start, length)
