"""Bringing back one partition of a capture: onto a partition of a card, or into a file. Nothing else is touched."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.block_device import BlockDevice, device_name, disk_of
from backupctl.board.open_device import DeviceReader, open_exclusive
from backupctl.domain.errors import Malformed, NotFound, Refused
from backupctl.domain.volume import Partition
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import Window
from backupctl.formats.volume import read_volume
from backupctl.operations.cards import VolumeOnCard, look_at
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, is_image
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.captured_layout import sector_size_of
from backupctl.operations.restoring.card_writing import CardWriter, DeviceCard, PartOfCard
from backupctl.operations.restoring.image_file import named_file
from backupctl.operations.restoring.preparing_partition import Place, piece_numbered, prepared_partition
from backupctl.operations.restoring.restore import RestorePlan, left_alone, plan_file, said_of, tell
from backupctl.operations.restoring.restore_card import (
    CardOptions,
    ask,
    described,
    doubts,
    named,
    put,
    refuse_another_target,
    refuse_scratch_on_target,
    refuse_to_write,
    refuse_unless_cache_can_be_emptied,
)
from backupctl.operations.restoring.suiting import Changes
from backupctl.share.shelf import Shelf


def restore_partition(
    shelf: Shelf, name: str | None, as_of: datetime | None, number: int, options: CardOptions, facts: Facts,
    reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes partition `number` of a capture onto the one with that number on a card, or onto a partition that is named
    itself, once somebody said that it may be erased; and reads it back.

    Raises Refused with nothing written; and as `CardWriter.put`, with the partition left looking empty.
    """
    target = options.target.absolute()
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of, is_image)
    piece = piece_numbered(record, number)
    disk = disk_of(target)
    refuse_to_write(disk, target, shelf)
    refuse_another_target(options, device_name(str(target)))
    refuse_scratch_on_target(options.changes.scratch, disk)
    with open_exclusive(disk.path, write=False, expected=disk) as device:
        there, holds = _partition(DeviceReader(device.fd), disk, target, number)
        place = Place(f"partition {there.number} of {disk.path}", there.end - there.start, device.sector_size)
    changes = options.changes
    with left_alone(shelf, record, facts), ExitStack() as stack:
        made = stack.enter_context(
            prepared_partition(
                shelf, history, record, piece, place, changes.fill, changes.shrink, changes.scratch, reporter, stop
            )
        )
        said = said_of(record, history, facts.now())
        looked_at = look_at(disk)
        said["warnings"] += (*doubts(looked_at), *made.warnings)
        plan = RestorePlan(
            **said,
            target=str(target),
            target_is_card=True,
            target_bytes=place.size,
            target_description=f"{place.name} ({named(looked_at)}): {place.size} bytes from byte {there.start} on",
            target_contents=(holds,),
            erased=place.name,
            changes=(f"only partition {number} ({piece.kind}) is written, and nothing else", *made.changes),
        )
        if options.dry_run:
            return {"plan": asdict(plan), "restored": False}
        ask(options, plan, device_name(str(target)), reporter)
        with open_exclusive(disk.path, write=True, expected=disk) as device:
            refuse_unless_cache_can_be_emptied(device)
            # The table may have been written anew while somebody was asked.
            if _partition(DeviceReader(device.fd), disk, target, number)[0] != there:
                raise Refused(f"the partition table of {disk.path} has just changed", "Nothing was written.")
            card = PartOfCard(DeviceCard(device), there.start, place.size)
            writer = CardWriter(card, place.name, made.source, options.wipe_free, reporter, stop, "empty")
            free_space = put(writer, shelf, f"restore of partition {number} of {record.id} to {target}", facts)
    body = {"capture": record.id, "target": str(target), "board": record.board, "partition": number}
    tell(shelf, facts, reporter, "restored", body)
    return {"plan": asdict(plan), "restored": True, "free_space": free_space}


def _partition(reader: DeviceReader, disk: BlockDevice, target: Path, number: int) -> tuple[Partition, str]:
    """The partition that is meant, by the table on the card, and what it holds. Raises Refused, NotFound."""
    named = device_name(str(target))
    known = next((partition for partition in disk.partitions if partition.name == named), None)
    try:
        table = read_partition_table(reader, reader.sector_size)
    except Malformed as error:
        raise Refused(
            f"the partition table of {disk.path} cannot be trusted: {error}", "Nothing was written."
        ) from None
    wanted = known.number if known else number
    found = next((p for p in table.partitions if p.number == wanted), None) if table else None
    if found is None:
        raise NotFound(f"{disk.path} has no partition {wanted}", "See `backupctl cards`. Restore the whole card first.")
    if known and (found.start, found.end) != (known.start, known.start + known.size):
        raise Refused(
            f"the system has partition {wanted} of {disk.path} in another place than the card's table",
            "Nothing was written. Take the card out, and put it in again.",
        )
    volume = read_volume(Window(reader, found.start, found.end - found.start))
    return found, described(VolumeOnCard(wanted, found.start, found.end - found.start, volume.kind, volume.label))


def restore_partition_to_file(
    shelf: Shelf, name: str | None, as_of: datetime | None, number: int, target: Path, size: int | None, dry_run: bool,
    changes: Changes, facts: Facts, reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """The bytes of one partition as a file, of `size` bytes if that is said. Raises Refused, Damaged."""
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of, is_image)
    piece = piece_numbered(record, number)
    plan_file(record, history, target, facts.now())
    place = Place(str(target), size or piece.end - piece.start, sector_size_of(record))
    with (
        left_alone(shelf, record, facts),
        prepared_partition(
            shelf, history, record, piece, place, changes.fill, changes.shrink, changes.scratch, reporter, stop
        ) as made,
    ):
        words = (f"only partition {number} ({piece.kind})", *made.changes)
        plan = plan_file(record, history, target, facts.now(), words, made.warnings)
        if dry_run:
            return {"plan": asdict(plan), "restored": False}
        with named_file(target, place.size) as file:
            made.source.pour(file, lambda *_: False, reporter, stop)
    tell(
        shelf, facts, reporter, "restored",
        {"capture": record.id, "target": str(target), "board": record.board, "partition": number},
    )  # fmt: skip
    return {"plan": asdict(plan), "restored": True}
