"""Bringing a capture back onto a card: which one, whether it may be erased, and that somebody said so."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import KW_ONLY, asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from backupctl.board.block_device import BlockDevice, device_name, disk_of
from backupctl.board.open_device import OpenDevice, flush, open_exclusive
from backupctl.board.system_disks import disks_under, system_disks
from backupctl.domain.errors import BackupctlError, Interrupted, Refused
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import size
from backupctl.operations.cards import Card, VolumeOnCard, look_at
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, makes_a_card
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.restoring.captured_layout import held, identities_of
from backupctl.operations.restoring.card_source import CaptureSource, CardSource
from backupctl.operations.restoring.card_writing import CardWriter, DeviceCard
from backupctl.operations.restoring.making_ready import made_ready
from backupctl.operations.restoring.restore import RestorePlan, left_alone, said_of, tell
from backupctl.operations.restoring.stitching import stream_of
from backupctl.operations.restoring.suiting import Changes, Room
from backupctl.operations.restoring.twins import twins
from backupctl.share.shelf import Shelf

_BUILT_IN = ("ata", "nvme")  # how disks are attached that stay in a computer
_CARDS = "`backupctl cards` lists those of this machine."


@dataclass(frozen=True)
class CardOptions:
    """What is asked for. `show_plan` makes words of a plan, for the question."""

    target: Path
    _: KW_ONLY
    erase: str | None  # the target, said again: stands for the answer to the question
    wipe_free: bool
    dry_run: bool
    show_plan: Callable[[dict[str, Any]], str]
    changes: Changes = field(default_factory=Changes)


def restore_to_card(
    shelf: Shelf, name: str | None, as_of: datetime | None, options: CardOptions, facts: Facts,
    reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes a capture onto a whole card, once somebody said that it may be erased, and reads all of it back.

    Raises Refused with nothing written; and as `CardWriter.put`, with the card left looking empty.
    """
    target = options.target.absolute()
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of, makes_a_card)
    disk = _card_to_erase(target, shelf)
    refuse_another_target(options, disk.name)
    with open_exclusive(target, write=False, expected=disk) as device:
        room = Room(device.path, device.size, device.sector_size)
    changes = options.changes
    ready = made_ready(shelf, history, record, room, changes, options.dry_run, reporter, stop)
    with ExitStack() as stack:
        source: CardSource = CaptureSource(shelf, history, record, reporter.note)
        told: tuple[str, ...] = ()
        picked: dict[str, Any] = {}
        holds = held(record)
        warnings = ready.warnings
        if ready.making is None:
            _refuse_unless_all_there(shelf, history, record, reporter)
        else:
            refuse_scratch_on_target(changes.scratch, disk)
            stack.enter_context(left_alone(shelf, record, facts))
            made = stack.enter_context(ready.making)
            source, told, warnings = made.source, made.changes, (*warnings, *made.warnings)
            holds = made.holds
            picked = {"picked": made.picked} if made.picked else {}
        if not changes.clone.new_identity:
            warnings += tuple(twins(identities_of(record), disk.name))
        plan = _plan(record, history, target, look_at(disk), facts.now(), holds, told, warnings)
        if options.dry_run:
            return {"plan": asdict(plan), "restored": False}
        if ready.making is None:
            stack.enter_context(left_alone(shelf, record, facts))
        ask(options, plan, disk.name, reporter)
        free_space = _write(shelf, record, source, options, disk, facts, reporter, stop)
    body = {"capture": record.id, "target": str(target), "board": record.board}
    tell(shelf, facts, reporter, "restored", {**body, "changes": list(plan.changes)} if plan.changes else body)
    return {"plan": asdict(plan), "restored": True, "free_space": free_space, **picked}


def _write(
    shelf: Shelf, record: CaptureRecord, source: CardSource, options: CardOptions, disk: BlockDevice, facts: Facts,
    reporter: Reporter, stop: Stop,
) -> str:  # fmt: skip
    """Returns what stands in free space, in words."""
    target = options.target.absolute()
    # Opened anew, since a drive with exchangeable media notices another card when it is opened.
    with open_exclusive(target, write=True, expected=disk) as device:
        refuse_unless_cache_can_be_emptied(device)
        card = DeviceCard(device)
        writer = CardWriter(card, str(target), source, options.wipe_free, reporter, stop)
        free_space = put(writer, shelf, f"restore of {record.id} to {target}", facts)
        if not card.reread_partitions() and disk.partitions:
            reporter.note(f"the system still knows the old partitions of {target}: take it out before using it here")
    return free_space


def put(writer: CardWriter, shelf: Shelf, doing: str, facts: Facts) -> str:
    """Writes and reads back; the manifest is told if that fails. Returns what stands in free space, in words."""
    try:
        return writer.put()
    except BackupctlError as error:
        kind = "interrupted" if isinstance(error, Interrupted) else "failed"
        tell(shelf, facts, writer.reporter, kind, {"doing": doing, "cause": error.cause, "exit": int(error.exit_code)})
        raise


def refuse_scratch_on_target(folder: Path, disk: BlockDevice) -> None:
    if folder.is_dir() and disk.name in disks_under(folder).disks:
        raise Refused(f"the scratch folder {folder} is on {disk.path}", "Name another folder: --scratch DIR.")


def _card_to_erase(target: Path, shelf: Shelf) -> BlockDevice:
    """The disk at `target`, judged by what the system says of it, without opening it. Raises Refused, NotFound."""
    disk = disk_of(target)
    if device_name(str(target)) != disk.name:
        raise Refused(f"{target} is only a part of {disk.path}", f"If all of it is meant, say {disk.path}.")
    refuse_to_write(disk, target, shelf)
    return disk


def refuse_to_write(disk: BlockDevice, target: Path, shelf: Shelf) -> None:
    """Raises Refused for a disk that nothing may be written to; `target` is what was named."""
    if disk.kind not in ("disk", "loop"):
        raise Refused(f"{target} is no card: it is made of memory or of other devices ({disk.kind})", _CARDS)
    why = system_disks().why.get(disk.name)
    if why:
        raise Refused(f"this system runs from {target}: {'; '.join(why)}", "Put the card into another machine.")
    if disk.name in disks_under(shelf.path).disks:
        raise Refused(f"the share with the capture is on {target}", "Choose another card.")
    if disk.users():
        raise Refused(f"{target} is in use: {'; '.join(disk.users())}", "Unmount it first, or choose another card.")
    if disk.read_only:
        raise Refused(f"{target} is write-protected", "A full-size card has a lock switch on its side.")


def _refuse_unless_all_there(shelf: Shelf, history: History, record: CaptureRecord, reporter: Reporter) -> None:
    """Raises Damaged, Malformed for a capture that would end half way, before a card is erased for it."""
    stream_bytes, index, stretches = stream_of(shelf, history, record.id, reporter.note)
    with closing(index):
        if stream_bytes != record.stream_bytes:
            raise BackupctlError("record and contents of the capture do not agree", "Run `backupctl verify`.")
        for _ in stretches:
            pass


def refuse_unless_cache_can_be_emptied(device: OpenDevice) -> None:
    try:
        flush(device.fd)
    except PermissionError:
        raise Refused(
            f"this user may write to {device.path}, but not read it back past the system's cache",
            "Nothing was written. Run the command as root.",
        ) from None


def _plan(
    record: CaptureRecord, history: History, target: Path, card: Card, now: datetime, holds: tuple[str, ...],
    changes: tuple[str, ...], warnings: tuple[str, ...],
) -> RestorePlan:  # fmt: skip
    said = said_of(record, history, now)
    said["warnings"] += doubts(card)
    found = [described(volume) for volume in card.volumes if volume.number or volume.kind != "unknown"]
    if found:
        said["warnings"] += (f"{target} is not empty",)
    said["warnings"] += warnings
    if card.scheme and not found:
        found = ["a partition table without partitions"]
    return RestorePlan(
        **said,
        target=str(target),
        target_is_card=True,
        target_bytes=card.size,
        target_description=f"{named(card)}, {size(card.size)} ({card.size} bytes, {card.size // card.sector_size} "
        f"sectors of {card.sector_size})",
        will_hold=holds,
        changes=changes,
        target_contents=tuple(found) or (card.unread or "nothing that is recognised",),
    )


def named(card: Card) -> str:
    """By what a person can tell it from others."""
    how = [f"by {card.transport}"] if card.transport else []
    return ", ".join([card.model or "no model", *how, f"serial {card.serial}" if card.serial else "no serial number"])


def doubts(card: Card) -> tuple[str, ...]:
    """What speaks against its being the card that is meant."""
    if card.removable or card.transport not in _BUILT_IN:
        return ()
    return (f"{card.path} is attached by {card.transport}, as disks within a computer are: is it the card?",)


def described(volume: VolumeOnCard) -> str:
    where = f"partition {volume.number}" if volume.number else "the whole card"
    what = f"{volume.kind} {volume.label!r}" if volume.label else volume.kind
    return f"{where}: {what}, {size(volume.size)}"


def refuse_another_target(options: CardOptions, device: str) -> None:
    """Raises Refused if what was said to be erased is not `device`; before anything is made ready for it."""
    if options.erase is not None and device_name(str(Path(options.erase).absolute())) != device:
        raise Refused(
            f"{options.erase} was said to be erased, but the target is {options.target}",
            "Nothing was written. Which is it?",
        )


def ask(options: CardOptions, plan: RestorePlan, device: str, reporter: Reporter) -> None:
    """Raises Refused unless somebody says that `device`, a name in /sys/class/block, may be erased."""
    refuse_another_target(options, device)
    if options.erase is not None:
        return
    target = plan.target
    question = (
        f"{options.show_plan(asdict(plan))}\n"
        f"All that is on {plan.erased or target} will be lost. Type the name of the board ({plan.board}) to go on:"
    )
    if not reporter.ask(question, plan.board):
        raise Refused(
            f"{target} was not erased, since the name of the board was not typed",
            f"Nothing was written. Where nobody can type it: --erase {target} --yes.",
        )
