"""Checks of the card that is to be captured, and of the machine that it is in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from backupctl.domain.errors import Refused
from backupctl.domain.record import card_of
from backupctl.domain.units import size
from backupctl.operations.preflight.check import OK, REFUSE, WARNING, Check
from backupctl.operations.preflight.share import IS_IT_MOUNTED
from backupctl.operations.preflight.situation import CardSituation, Situation

_PACKAGES_SECONDS = 60.0


def check_source(situation: CardSituation) -> Check:
    card = situation.card
    detail = f"{situation.source.path}: {size(card.size)}, {size(card.in_use_bytes)} in use"
    warnings = [*situation.source.warnings, *card.warnings]
    if warnings:
        return Check("source", WARNING, f"{detail}; {'; '.join(warnings)}", "See what `backupctl cards` says of it.")
    return Check("source", OK, detail)


def check_size(situation: CardSituation) -> Check:
    """A card does not grow; one that does is an adapter that lies, or a counterfeit."""
    newest, now = situation.newest_of_card(), situation.card.size
    if newest is None or newest.stream_bytes == now:
        return Check("size", OK, f"{now} bytes" + ("" if newest is None else ", as before"))
    todo = "If it is a file that was made larger, all is well. Otherwise look at the card in another reader."
    return Check("size", WARNING, f"{now} bytes, and {newest.stream_bytes} when it was captured last", todo)


def check_card(situation: CardSituation) -> Check:
    """Whether it is the card of before; somebody may have mixed up two cards, or boards."""
    card = card_of(situation.source.identity)
    if situation.shelf is None or situation.session is None or not situation.captures:
        return Check("card", OK, card)
    newest = situation.captures[-1]
    continued = max((said.sequence for said in situation.session.history.continued), default=0)
    if newest.sequence < continued or card_of(newest.source) == card:
        return Check("card", OK, card)
    # A place alone does not tell cards apart for sure: files are moved, and readers get other names.
    is_known = not any(each.startswith("path ") for each in (card, card_of(newest.source)))
    return Check(
        "card" if is_known else "place of the card",
        WARNING,
        f"it is not the card of the newest capture: {card}, and not {card_of(newest.source)}",
        f"If the card was replaced: backupctl boards continue {situation.shelf.board} --new-card. "
        "If not: is it the right card, and the right board?",
    )


def check_use(situation: CardSituation) -> Check:
    live = situation.source.live
    if live is None and not Path(situation.source.path).is_block_device():
        return Check(
            "in use", OK, "a card file: if somebody writes to it meanwhile, that is noticed, and the run fails"
        )
    if live is None:
        return Check("in use", OK, "nobody uses the source")
    from backupctl.board.mounted import Treatment

    frozen = [each.places[0].mount.mount_point for each in live.file_systems if each.treatment is Treatment.FREEZE]
    synced = [each.places[0].mount.mount_point for each in live.file_systems if each.treatment is Treatment.SYNC]
    detail = "the source is in use; its writes are followed (seen: yes)"
    if live.tracker is None:
        from backupctl.operations.capturing.paused import refuse_if_too_long

        try:
            # Before any service is stopped for it.
            refuse_if_too_long(live, situation.policy.image.max_freeze)
        except Refused as error:
            return Check("in use", REFUSE, error.cause, error.hint)
        return Check("in use", OK, f"the source is in use; all of it stands still meanwhile: {', '.join(frozen)}")
    if not live.proven:
        return Check(
            "in use",
            WARNING,
            "the source is in use; its writes are followed, but that one is seen could not be tried",
            "Nothing of it can be written to by way of trial: it is read-only, or full, or FAT alone.",
        )
    if frozen:
        detail += f"; frozen for an instant: {', '.join(frozen)}"
    if synced:
        detail += f"; written out then: {', '.join(synced)}"
    return Check("in use", OK, detail)


def check_watchdog(situation: CardSituation) -> Check:
    name, live = "watchdog", situation.source.live
    if live is None:
        return Check(name, OK, "nothing has to be frozen")
    if live.watchdog.exempt:
        return Check(name, OK, "a process of its own ends a freeze, whatever becomes of the capture")
    return Check(
        name,
        WARNING,
        "the kernel may end the process that ends a freeze, should memory run out",
        "A container needs CAP_SYS_RESOURCE for it.",
    )


def check_packages(situation: CardSituation) -> Check:
    if situation.source.live is None:
        return Check("packages", OK, "the source is not a system at work")
    from backupctl.board.packages import wait_for_package_manager

    process = wait_for_package_manager(_PACKAGES_SECONDS)
    if process:
        return Check(
            "packages",
            WARNING,
            f"a package manager has been at work for {_PACKAGES_SECONDS:g} s (process {process})",
            "An image of a half-made upgrade may not start. Capture again when it has ended.",
        )
    return Check("packages", OK, "no package manager is at work")


def check_power(_: Situation) -> Check:
    from backupctl.board.health import under_voltage

    low = under_voltage()
    if low:
        todo = "Use a stronger power supply and a shorter cable: boards that lack power damage their cards."
        return Check("power", WARNING, f"the voltage is too low now, by {', '.join(low)}", todo)
    return Check("power", OK, "no sensor tells of under-voltage")


def check_heat(_: Situation) -> Check:
    from backupctl.board.health import too_hot

    hot = too_hot()
    if hot:
        return Check("heat", WARNING, "; ".join(hot), "Give it air: a board that is too hot slows down, or stops.")
    return Check("heat", OK, "no part of the board is too hot")


def check_wear(situation: CardSituation) -> Check:
    """What the kernel has counted against the card."""
    source = Path(situation.source.path)
    if not source.is_block_device():
        return Check("wear", OK, "a card file")
    from backupctl.board.block_device import disk_of
    from backupctl.board.health import file_system_errors, wear

    disk = disk_of(source)
    found = [*_new_io_errors(situation), *(f"errors: {text}" for text in file_system_errors(disk)), *wear(disk)]
    if found:
        todo = "Have a new card at hand; `backupctl restore` needs one as large as this. See the kernel's log."
        return Check("wear", WARNING, "; ".join(found), todo)
    return Check("wear", OK, "nothing is counted against the card")


def _new_io_errors(situation: CardSituation) -> Iterator[str]:
    """Compared with the newest capture since the machine was started: a few are there from the beginning."""
    now = situation.source.identity.get("io_errors")
    newest = situation.newest_of_card()
    before = newest.source.get("io_errors") if newest else None
    if not (isinstance(now, dict) and isinstance(before, dict)) or now.get("boot") != before.get("boot"):
        return
    if isinstance(before.get("count"), int) and now["count"] > before["count"]:
        yield f"{now['count'] - before['count']} errors of reading or writing since the newest capture"


def share_on_source(folder: Path, source: Path) -> str:
    """Words about a share that lies on the card that is to be captured; empty if it does not."""
    if not source.is_block_device():
        return ""
    # Linux only, as is reading a block device.
    from backupctl.board.block_device import disk_of
    from backupctl.board.system_disks import disks_under

    disk = disk_of(source)
    return (
        f"the share lies on {disk.path}, the card that is to be captured"
        if disk.name in disks_under(folder).disks
        else ""
    )


def check_not_on_source(situation: CardSituation) -> Check:
    name, source = "share is elsewhere", Path(situation.source.path)
    found = share_on_source(situation.folder, source)
    if found:
        return Check(name, REFUSE, found, IS_IT_MOUNTED)
    if not source.is_block_device() and source.resolve().is_relative_to(situation.folder.resolve()):
        return Check(
            name, WARNING, "the card file lies on the share itself", "Keep it elsewhere: it is lost with the share."
        )
    return Check(name, OK, f"the share is not on {source}")
