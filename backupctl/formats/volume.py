"""What a volume holds: asks every reader, and believes only an answer that no other contradicts."""

from __future__ import annotations

from backupctl.domain.errors import Malformed
from backupctl.domain.volume import VolumeMap
from backupctl.formats import ext4_map, fat, signatures, swap
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import ReadAt

_BLANK_BYTES = 1 << 20  # a volume that starts with so many zeros is taken for an empty one


def read_volume(reader: ReadAt, live: bool = False, memory: MapMemory | None = None) -> VolumeMap:
    """The map of whatever the volume holds; data whole, with a warning, where that is unknown or cannot be trusted.

    `live`, `memory`: for a volume that is mounted and written to; see `ext4_map`. Does not raise for what is read: not
    OSError either, since a failing card must still be copied.
    """
    try:
        return _recognised(reader, live, memory)
    except (Malformed, OSError) as error:
        return VolumeMap("unknown", warnings=(f"read whole: its file system cannot be looked at: {error}",))


def _recognised(reader: ReadAt, live: bool, memory: MapMemory | None) -> VolumeMap:
    # All are asked, also once one has answered: formatting anew leaves magic numbers of what was there before, and
    # by the wrong one of two maps the files of the other would be called free.
    answers = (ext4_map.read_volume(reader, live, memory), fat.read_volume(reader), swap.read_volume(reader))
    maps = [found for found in answers if found]
    named = signatures.name(reader)
    kinds = [found.kind for found in maps] + ([named] if named else [])
    if len(kinds) > 1:
        return VolumeMap("unknown", warnings=(f"read whole: looks like {' and like '.join(kinds)} at once",))
    if maps:
        return maps[0]
    if named:
        return VolumeMap(named, warnings=(f"read whole: {named}, of which no map is made",))
    if not any(reader.read_at(0, min(_BLANK_BYTES, reader.size))):
        return VolumeMap("unknown")
    return VolumeMap("unknown", warnings=("read whole: what it holds is not known",))
