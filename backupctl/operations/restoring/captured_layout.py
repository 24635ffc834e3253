"""What a record says of the partitions of its card: read as what anybody may have written there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from backupctl.domain.errors import Refused
from backupctl.domain.files_policy import IMAGE
from backupctl.domain.fitting import Piece
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size

_SIZE_MOST = 1 << 43  # 8 TiB: a scratch file can be as large nearly everywhere


def card_size_of(record: CaptureRecord) -> int:
    """Of the card that was captured, in bytes. Raises Refused where the record does not tell it."""
    if record.kind == IMAGE:
        return record.stream_bytes
    found = record.layout.get("size")
    if type(found) is not int or not 0 < found < _SIZE_MOST:
        raise _unusable(record)
    return found


def pieces_of(record: CaptureRecord) -> list[Piece]:
    """The partitions by place, or the bare volume; none overlap and all lie on the card. Raises Refused otherwise."""
    card_size = card_size_of(record)
    pieces = []
    for volume in volumes_said(record):
        number, start, end, kind = (volume.get(key) for key in ("partition", "start", "end", "kind"))
        number = 0 if number is None else number
        if not (isinstance(number, int) and isinstance(start, int) and isinstance(end, int) and isinstance(kind, str)):
            raise _unusable(record)
        pieces.append(Piece(number, kind, start, end))
    pieces.sort(key=lambda piece: piece.start)
    end = 0
    for piece in pieces:
        if not end <= piece.start < piece.end <= card_size:
            raise _unusable(record)
        end = piece.end
    if len({piece.number for piece in pieces}) != len(pieces):
        raise _unusable(record)
    return pieces


def held(record: CaptureRecord) -> tuple[str, ...]:
    """The volumes of the card in words; what the record does not tell is left out."""
    found = []
    for volume in volumes_said(record):
        start, end = volume.get("start"), volume.get("end")
        if isinstance(start, int) and isinstance(end, int):
            found.append(held_in_words(volume.get("partition") or 0, str(volume.get("kind")), end - start))
    return tuple(found)


def held_in_words(number: object, kind: str, length: int) -> str:
    return f"{f'partition {number}' if number else 'the whole card'}: {kind}, {size(length)}"


def in_use_of(record: CaptureRecord, number: int) -> int:
    """Bytes in use on a partition, by the record."""
    for volume in volumes_said(record):
        if (volume.get("partition") or 0) == number:
            start, end, free = (volume.get(key) for key in ("start", "end", "free"))
            if isinstance(start, int) and isinstance(end, int) and isinstance(free, int):
                return max(0, end - start - free)
    return 0


def sector_size_of(record: CaptureRecord) -> int:
    found = record.layout.get("sector_size")
    return found if found in (512, 4096) else 512


def identities_of(record: CaptureRecord) -> dict[str, str]:
    """What tells this card and its volumes from others, and what it is: `{"5eed0001": "disk signature"}`."""
    found = {}
    identity, scheme = record.layout.get("identity"), record.layout.get("scheme")
    if isinstance(identity, str) and identity.strip("0-"):
        found[identity] = "disk signature" if scheme == "mbr" else "disk GUID"
    for volume in volumes_said(record):
        identity, kind = volume.get("identity"), volume.get("kind")
        if isinstance(identity, str) and identity.strip("0-"):
            found[identity] = f"{kind} UUID"
    return found


def volumes_said(record: CaptureRecord) -> list[Mapping[str, Any]]:
    """As the record has them, unchecked."""
    volumes = record.layout.get("volumes")
    return [volume for volume in volumes if isinstance(volume, dict)] if isinstance(volumes, list) else []


def _unusable(record: CaptureRecord) -> Refused:
    return Refused(
        f"the record of {record.id} does not tell its partitions in a way that makes sense",
        "Restore it unchanged, onto a card that is as large.",
    )
