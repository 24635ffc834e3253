"""What a capture of a whole board's files says of its card, so that a card can be made of it again.

The record has the table, and of each volume how it was made and where it is mounted. What the files do not hold stands
beside the contents (`share/card_head.py`): the bytes outside the partitions, where boot loaders and the table itself
lie, and small partitions without a file system, where boards keep boot loaders as well.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.board.block_device import BlockDevice, disk_of
from backupctl.board.direct_reader import DirectReader
from backupctl.board.open_device import open_shared
from backupctl.board.volume_tools import MAKEABLE
from backupctl.domain.card_map import CardMap, CardVolume
from backupctl.domain.errors import BackupctlError
from backupctl.domain.ranges import Ranges
from backupctl.domain.record import CardHead
from backupctl.domain.units import size
from backupctl.formats.mountinfo import Mount
from backupctl.formats.reader import ReadAt, Window
from backupctl.formats.volume_making import how_made, names_of
from backupctl.operations.capturing.confirming import checksum_of
from backupctl.operations.card_map import layout_of, read_card_map
from backupctl.operations.progress import Stop
from backupctl.share.card_head import HEAD_MOST, head_name, write_head
from backupctl.share.shelf import Shelf

_GAPS_MOST = 16 << 20  # bytes at the card's beginning: boot loaders lie within the first few MiB (common practice)
_RAW_MOST = 16 << 20  # of one partition that holds no file system
_AT_ONCE = 1 << 20


@dataclass(frozen=True)
class HeadPlan:
    """Which stretches of the card come along as bytes, and words about what does not."""

    ranges: Ranges
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class TakenBoard:
    """What the record says of the card, and what stands beside the contents."""

    layout: dict[str, object]
    head: CardHead
    warnings: tuple[str, ...]


def take_board(
    card: Path, places: Collection[str], shelf: Shelf, capture: str, read_back: bool, stop: Stop
) -> TakenBoard:
    """Of the card, a whole disk, whose file systems are captured from where they are mounted, `places`.

    The capture's folder must be there. Raises NotFound, Refused, OSError of the card and of the share, BackupctlError
    where that gives back other bytes than were written.
    """
    disk = disk_of(card)
    # Past the page cache, which goes stale behind what is mounted.
    with open_shared(disk.path, expected=disk, direct=True) as device:
        reader = DirectReader(device.fd, device.size, disk.path)
        found = read_card_map(reader, disk.sector_size, live=True)
        mounted = {number: place for number, place in where_mounted(disk, found, places).items() if place in places}
        plan = plan_head(found, mounted)
        head = take_head(reader, plan, shelf, capture, read_back, stop)
        shown = subvolumes_of(disk, found, places)
        return TakenBoard(layout_of_board(reader, found, mounted, shown), head, plan.warnings)


def where_mounted(disk: BlockDevice, card: CardMap, preferred: Collection[str] = ()) -> dict[int, str]:
    """By number of the partition (0: the bare card), a place where the whole of its file system is mounted.

    Of several, as subvolumes have them, the root, or else one of `preferred`.
    """
    found: dict[int, str] = {}
    for number, mount in _mounts_of(disk, card):
        if number not in found or (mount.mount_point in preferred and found[number] != "/"):
            found[number] = mount.mount_point
    return found


def subvolumes_of(disk: BlockDevice, card: CardMap, places: Collection[str]) -> dict[int, dict[str, str]]:
    """By number of the partition, the subvolumes of btrfs that are mounted at some of `places`, by place."""
    found: dict[int, dict[str, str]] = {}
    for number, mount in _mounts_of(disk, card):
        if mount.subvolume and mount.mount_point in places:
            found.setdefault(number, {})[mount.mount_point] = mount.subvolume
    return found


def _mounts_of(disk: BlockDevice, card: CardMap) -> Iterator[tuple[int, Mount]]:
    """Those that show all of a volume, or of a subvolume; each with the number of its partition."""
    numbers = {partition.name: partition.start for partition in disk.partitions}
    by_start = {volume.start: _number(volume) for volume in card.volumes}
    for name, mount in disk.mounts:
        number = by_start.get(numbers.get(name, 0))
        if number is not None and mount.is_whole:
            yield number, mount


def layout_of_board(
    reader: ReadAt, card: CardMap, mounted: Mapping[int, str], subvolumes: Mapping[int, Mapping[str, str]] | None = None
) -> dict[str, object]:
    """As `layout_of`; of each volume also `name`, `bootable`, `mounted` and `made` (see `how_made`).

    `mounted`, `subvolumes`: as `where_mounted` and `subvolumes_of` say. What cannot be read of a volume is left out of
    what is said of it.
    """
    layout = layout_of(card)
    said: Any = layout["volumes"]
    layout["volumes"] = [
        {**about, **_more(reader, volume, mounted, subvolumes or {})}
        for about, volume in zip(said, card.volumes, strict=True)
    ]
    return layout


def _more(
    reader: ReadAt, volume: CardVolume, mounted: Mapping[int, str], subvolumes: Mapping[int, Mapping[str, str]]
) -> dict[str, object]:
    found: dict[str, object] = {
        "name": volume.partition.name if volume.partition else "",
        "bootable": bool(volume.partition and volume.partition.bootable),
        "mounted": mounted.get(_number(volume)),
    }
    if shown := subvolumes.get(_number(volume)):
        found["subvolumes"] = dict(shown)
    window = Window(reader, volume.start, volume.end - volume.start)
    try:
        found["made"] = how_made(window, volume.map.kind)
        if not volume.map.identity:
            label, identity = names_of(window, volume.map.kind)
            if identity:
                found |= {"label": label, "identity": identity}
    except (OSError, ValueError):
        pass  # a failing card, or one too short for what it claims: the restore says what it lacks
    return found


def plan_head(card: CardMap, taken: Mapping[int, str]) -> HeadPlan:
    """`taken`: the volumes whose files come along, as `where_mounted` says."""
    structures = card.table.structures if card.table else Ranges()
    outside = Ranges((volume.start, volume.end) for volume in card.volumes).inverted(0, card.size)
    wanted = Ranges(outside.within(0, min(_GAPS_MOST, card.size))) | structures
    warnings = []
    for volume in card.volumes:
        if _number(volume) in taken:
            if volume.map.kind not in MAKEABLE:
                warnings.append(f"{taken[_number(volume)]} is {volume.map.kind}, of which no card can be made anew")
            continue
        if volume.map.kind == "swap" or volume.partition is None:
            continue
        length = volume.end - volume.start
        if volume.map.identity or length > _RAW_MOST or wanted.total + length > HEAD_MOST:
            warnings.append(
                f"partition {volume.partition.number} ({volume.map.kind}, {size(length)}) is not mounted, so its "
                "contents are not among the files: a card made of this capture has it empty"
            )
        else:
            wanted |= Ranges([(volume.start, volume.end)])
    return HeadPlan(wanted, tuple(warnings))


def take_head(reader: ReadAt, plan: HeadPlan, shelf: Shelf, capture: str, read_back: bool, stop: Stop) -> CardHead:
    """Writes it into the capture's folder, which is there.

    Raises OSError of the card and of the share, BackupctlError where that gives back other bytes.
    """

    def pieces() -> Iterator[bytes]:
        for start, end in plan.ranges:
            for at in range(start, end, _AT_ONCE):
                yield reader.read_at(at, min(_AT_ONCE, end - at))

    head = write_head(shelf.storage, capture, tuple(plan.ranges), pieces())
    if read_back and checksum_of(shelf, head_name(capture), head.bytes, stop) != head.checksum:
        raise BackupctlError(
            "the share gives back another head of the card than was written",
            "Nothing older is hurt. Look at the NAS: its disks, its memory, its log. Then try again.",
        )
    return head


def _number(volume: CardVolume) -> int:
    return volume.partition.number if volume.partition else 0
