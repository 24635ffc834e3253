"""The map of a card: its partition table, what each partition holds, and which bytes matter."""

from __future__ import annotations

from collections.abc import Iterable

from backupctl.domain.card_map import CardMap, CardVolume
from backupctl.domain.errors import Malformed
from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import Partition, PartitionTable, VolumeMap
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import ReadAt, Window
from backupctl.formats.volume import read_volume


def read_card_map(
    reader: ReadAt,
    sector_size: int | None,
    leave_out: Iterable[int] = (),
    live: bool = False,
    memory: MapMemory | None = None,
) -> CardMap:
    """The map of the card behind `reader`; `sector_size` is None where only the bytes can tell (a card file).
    `live`: something on it is mounted and written to, so the map is a hint. `memory`: of maps of it made before.

    Never an exception for what stands on the card: whatever cannot be trusted is data whole, with a warning.
    """
    warnings: list[str] = []
    table: PartitionTable | None = None
    volumes: list[CardVolume] = []
    try:
        table = read_partition_table(reader, sector_size)
    except Malformed as error:
        warnings.append(f"the partition table cannot be trusted, so the whole card is read: {error.cause}")
    except OSError as error:
        warnings.append(f"the partition table cannot be read, so all of the card is tried: {error}")
    else:
        if table is None:
            volumes.append(CardVolume(0, reader.size, read_volume(reader, live, memory), None))
        else:
            warnings.extend(table.warnings)
            volumes.extend(_volume(reader, partition, set(leave_out), live, memory) for partition in table.partitions)
    for number in sorted(set(leave_out) - {v.partition.number for v in volumes if v.partition}):
        warnings.append(f"the policy leaves out partition {number}, which this card does not have")
    warnings.extend(f"{_name(volume)}: {text}" for volume in volumes for text in volume.map.warnings)
    # A partition may start at sector 0, and a table is data whatever the partition says.
    own = table.structures if table else Ranges()
    free, zero = Ranges(), Ranges()
    for volume in volumes:
        free |= volume.map.free.shifted(volume.start)
        zero |= volume.map.zero.shifted(volume.start)
    free, zero = free - own, zero - own
    size = table.sector_size if table else sector_size or 512
    return CardMap(reader.size, size, table, tuple(volumes), free, zero - free, tuple(warnings))


def _volume(
    reader: ReadAt, partition: Partition, leave_out: set[int], live: bool, memory: MapMemory | None
) -> CardVolume:
    length = partition.end - partition.start
    if partition.number in leave_out:
        everything = VolumeMap("left out", free=Ranges([(0, length)]))
        return CardVolume(partition.start, partition.end, everything, partition, left_out=True)
    found = read_volume(Window(reader, partition.start, length), live, memory)
    return CardVolume(partition.start, partition.end, found, partition)


def _name(volume: CardVolume) -> str:
    return f"partition {volume.partition.number}" if volume.partition else "the card"


def layout_of(card: CardMap) -> dict[str, object]:
    """What a record says of a card's layout: table and volumes, bytes."""
    return {
        "size": card.size,
        "sector_size": card.sector_size,
        "scheme": card.table.scheme if card.table else None,
        "identity": card.table.identity if card.table else None,
        "table": [list(pair) for pair in card.table.structures] if card.table else [],
        "volumes": [
            {
                "partition": volume.partition.number if volume.partition else None,
                "start": volume.start,
                "end": volume.end,
                "type": volume.partition.type if volume.partition else None,
                "partition_identity": volume.partition.identity if volume.partition else None,
                "kind": volume.map.kind,
                "label": volume.map.label,
                "identity": volume.map.identity,
                "free": volume.map.free.total,
            }
            for volume in card.volumes
        ],
    }
