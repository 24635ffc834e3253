"""Where the partitions of a card go on a card of another size.

One file system becomes larger or smaller: the last one by place, ext2 to ext4. Swap areas behind it move along, since
nothing in them has to be kept but their header; whatever else stands behind it stays where it is, and is in the way.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from backupctl.domain.errors import Refused
from backupctl.domain.units import size

RESIZABLE = frozenset({"ext2", "ext3", "ext4"})
KINDS_OF_ROOT = ("ext4", "btrfs", "f2fs")  # that a root can be given when a card is made anew of files
_MOVABLE = frozenset({"swap"})
STEP = 1 << 20  # ends keep their distance to multiples of 1 MiB (UEFI, section 5.3.1, on alignment)

Extent = tuple[int, int]  # bytes, half-open


@dataclass(frozen=True)
class Piece:
    """A partition, or all of a card without a table (`number` 0); bytes."""

    number: int
    kind: str  # as VolumeMap.kind
    start: int
    end: int

    @property
    def name(self) -> str:
        return f"partition {self.number}" if self.number else "the card's file system"


@dataclass(frozen=True)
class Fitted:
    """The places of all pieces by number, and of the extended partition. `resized` is the one that was made to fit."""

    places: Mapping[int, Extent]
    container: Extent | None = None
    resized: Piece | None = None
    moved: tuple[int, ...] = ()
    why_not: str = field(default="", compare=False)  # why nothing grows, though there is room


def as_it_is(pieces: Sequence[Piece], container: Extent | None, why_not: str = "") -> Fitted:
    """Every piece where it was."""
    return Fitted({piece.number: (piece.start, piece.end) for piece in pieces}, container, why_not=why_not)


def fit(
    pieces: Sequence[Piece],
    container: Extent | None,
    usable_end: int,
    fill: bool,
    resizable: Collection[str] = RESIZABLE,
) -> Fitted:
    """Puts `pieces` onto a card on which partitions may lie up to `usable_end` (bytes).

    `fill`: the last file system grows over what is left; otherwise it changes only where it has to. `container` is the
    extended partition of an MBR. `resizable`: the kinds of file systems that can be made larger or smaller. Raises
    Refused if the pieces do not fit, and what is in the way cannot be moved.
    """
    ordered = sorted(pieces, key=lambda piece: piece.start)
    last_end = max((piece.end for piece in ordered), default=0)
    if container and not any(container[0] <= piece.start < container[1] for piece in ordered):
        last_end = max(last_end, container[1])  # an extended partition without partitions takes part as it is
    by = (usable_end - last_end) // STEP * STEP
    if not ordered or (by >= 0 and not (fill and by)):
        trimmed = container and (container[0], min(container[1], usable_end))
        return as_it_is(ordered, trimmed)
    behind = [piece for piece in ordered if piece.start >= _last_fixed(ordered).end]
    candidate = _last_fixed(ordered)
    if candidate.kind not in resizable:
        words = f"{candidate.name} stands last, and holds {candidate.kind}"
        if by > 0:
            return as_it_is(ordered, container, f"{words}, which is left as large as it is")
        raise Refused(
            f"{words}, which cannot be made smaller or moved: the card is {size(last_end - usable_end)} "
            f"({last_end - usable_end} bytes) too small",
            "Take a larger card.",
        )
    if candidate.end + by <= candidate.start:
        raise Refused(
            f"{candidate.name} begins at byte {candidate.start}: a card on which partitions end at {usable_end} has no "
            "room for it at all",
            "Take a larger card.",
        )
    places = {piece.number: (piece.start, piece.end) for piece in ordered}
    # Without a table there is no partition that should end somewhere: the file system has all of the card.
    places[candidate.number] = (candidate.start, candidate.end + by if candidate.number else usable_end)
    for piece in behind:
        places[piece.number] = (piece.start + by, piece.end + by)
    return Fitted(
        places, _moved_container(container, candidate, by, usable_end), candidate, tuple(p.number for p in behind)
    )


def _last_fixed(ordered: Sequence[Piece]) -> Piece:
    """The last piece that does not move out of the way."""
    return next((piece for piece in reversed(ordered) if piece.kind not in _MOVABLE), ordered[0])


def _moved_container(container: Extent | None, candidate: Piece, by: int, usable_end: int) -> Extent | None:
    if container is None or container[1] <= candidate.start:
        return container
    start = container[0] + by if container[0] >= candidate.end else container[0]
    return start, min(container[1] + by, usable_end)
