"""What a record says of the volumes of a whole board's files: read as what anybody may have written there."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID

from backupctl.board.volume_tools import MAKEABLE, Making
from backupctl.domain.fitting import Piece
from backupctl.domain.record import CaptureRecord
from backupctl.formats.volume_making import EXT_FEATURES
from backupctl.operations.restoring.captured_layout import pieces_of, volumes_said

_SERIAL = re.compile(r"[0-9A-F]{4}-[0-9A-F]{4}")
_NUMBER_MOST = 1 << 40
_SUBVOLUMES_MOST = 100
_NUMBERS = ("block_size", "cluster_size", "inode_size", "inodes", "sector_size", "reserved_sectors", "tables",
            "root_entries")  # fmt: skip


@dataclass(frozen=True)
class VolumeToMake:
    """`making`: None for what is no file system that can be made. `mounted`: where its files are in the archive.

    `subvolumes`: of btrfs, by where the files of each are in the archive; empty if it has none.
    """

    piece: Piece
    making: Making | None
    mounted: str | None
    subvolumes: Mapping[str, str] = field(default_factory=dict)

    @property
    def places(self) -> frozenset[str]:
        """All places in the archive where files of it are."""
        return frozenset(self.subvolumes) or frozenset([self.mounted] if self.mounted else [])

    @property
    def length(self) -> int:
        """Bytes, on the captured card."""
        return self.piece.end - self.piece.start

    def resized(self, length: int, names: int) -> Making | None:
        """As it is to be made over so many bytes, with room for so many names."""
        making = self.making
        if making is None or length == self.length or not making.kind.startswith("ext"):
            return making
        inodes = making.inodes * length // self.length
        return replace(making, inodes=max(inodes, names + names // 4 + 1024))


def volumes_to_make(record: CaptureRecord) -> list[VolumeToMake]:
    """By place. Raises Refused for partitions that cannot be."""
    pieces = pieces_of(record)  # and with that, every number is one
    said = {volume.get("partition") or 0: volume for volume in volumes_said(record)}
    return [
        VolumeToMake(
            piece,
            _making(piece.kind, said[piece.number]),
            _place(said[piece.number].get("mounted")),
            _subvolumes(piece.kind, said[piece.number].get("subvolumes")),
        )
        for piece in pieces
    ]


def _subvolumes(kind: str, said: object) -> dict[str, str]:
    if kind != "btrfs" or not isinstance(said, dict) or len(said) > _SUBVOLUMES_MOST:
        return {}
    found = {_place(place): _place(subvolume) for place, subvolume in said.items()}
    kept = {place: subvolume for place, subvolume in found.items() if place and subvolume and subvolume != "/"}
    return kept if len(kept) == len(set(kept.values())) == len(said) else {}


def _place(said: object) -> str | None:
    is_place = isinstance(said, str) and said.startswith("/") and "\0" not in said and posixpath.normpath(said) == said
    return said if is_place and isinstance(said, str) else None


def _making(kind: str, said: Mapping[str, Any]) -> Making | None:
    if kind not in MAKEABLE:
        return None
    made = said.get("made")
    made = made if isinstance(made, dict) else {}
    numbers = {key: made[key] for key in _NUMBERS if type(made.get(key)) is int and 0 <= made[key] < _NUMBER_MOST}
    features, reserved, label = made.get("features"), made.get("reserved_percent"), said.get("label")
    return Making(
        kind,
        label if isinstance(label, str) and "\0" not in label else "",
        _identity(kind, said.get("identity")),
        tuple(name for name in features if name in EXT_FEATURES) if isinstance(features, list) else (),
        reserved_percent=float(reserved) if isinstance(reserved, int | float) and 0 <= reserved <= 50 else 5.0,
        **numbers,
    )


def _identity(kind: str, said: object) -> str:
    if not isinstance(said, str):
        return ""
    if kind.startswith("fat"):
        return said if _SERIAL.fullmatch(said) else ""
    try:
        return str(UUID(said))
    except ValueError:
        return ""
