"""What is checked before a capture reads a byte. Each check has a result, and says what to do about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.policy import Policy
from backupctl.domain.units import size
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter
from backupctl.operations.session import Session
from backupctl.operations.source import Source, open_source
from backupctl.share.lock import holder_now
from backupctl.share.shelf import Shelf

OK, WARNING, REFUSE = "ok", "warning", "refuse"
_PACKAGES_SECONDS = 60.0
_LEAST_ROOM = 64 << 20
_GUESSED_RATIO = 0.6  # stored to in use, for a board without captures; a Debian root measured 0.4


@dataclass(frozen=True)
class Check:
    """One result: `detail` says what was found, `todo` what to do about it (empty where nothing is to be done)."""

    name: str
    result: str
    detail: str
    todo: str = ""


@dataclass(frozen=True)
class Situation:
    """What checks look at."""

    shelf: Shelf
    session: Session
    source: Source
    card: CardMap


def check_source(situation: Situation) -> Check:
    card = situation.card
    detail = f"{situation.source.path}: {size(card.size)}, {size(card.in_use_bytes)} in use"
    if card.warnings:
        return Check(
            "source", WARNING, f"{detail}; {'; '.join(card.warnings)}", "See what `backupctl cards` says of it."
        )
    return Check("source", OK, detail)


def check_use(situation: Situation) -> Check:
    live = situation.source.live
    if live is None:
        return Check("in use", OK, "nobody uses the source: it is read as it is")
    from backupctl.board.mounted import Treatment

    frozen = [each.places[0].mount.mount_point for each in live.file_systems if each.treatment is Treatment.FREEZE]
    synced = [each.places[0].mount.mount_point for each in live.file_systems if each.treatment is Treatment.SYNC]
    detail = "the source is in use; its writes are followed (seen: yes)"
    if live.tracker is None:
        return Check("in use", OK, f"the source is in use; all of it stands still meanwhile: {', '.join(frozen)}")
    if not live.proven:
        return Check("in use", WARNING, "the source is in use, and no write to it could be tried", "It is read-only.")
    if frozen:
        detail += f"; frozen for an instant: {', '.join(frozen)}"
    if synced:
        detail += f"; written out then: {', '.join(synced)}"
    return Check("in use", OK, detail)


def check_packages(situation: Situation) -> Check:
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


def check_not_on_source(situation: Situation) -> Check:
    name = "share is elsewhere"
    # Linux only, as is reading a block device.
    from backupctl.board.block_device import disk_of
    from backupctl.board.system_disks import disks_under

    if not Path(situation.source.path).is_block_device():
        return Check(name, OK, "the source is a card file")
    disk = disk_of(situation.source.path)
    if disk.name in disks_under(situation.shelf.path).disks:
        return Check(
            name,
            REFUSE,
            f"the share lies on {disk.path}, the card that is to be captured",
            "Is the network share mounted? Its mount point is an ordinary folder now.",
        )
    return Check(name, OK, f"the share is not on {disk.path}")


def check_mount(situation: Situation) -> Check:
    from backupctl.board.mounts import is_network, mount_of

    mount = mount_of(situation.shelf.path)
    if situation.shelf.mark.same_machine:
        return Check(
            "mount", OK, "a folder of this machine: no protection against losing the machine (its owner knows)"
        )
    if is_network(mount):
        return Check("mount", OK, f"{mount.fstype} {mount.source} at {mount.mount_point}")
    return Check(
        "mount",
        WARNING,
        f"the share is on {mount.fstype} ({mount.source}), which is no network mount",
        "If that is meant: backupctl share adopt DIR --same-machine, for a share of its own.",
    )


def check_room(situation: Situation) -> Check:
    free = situation.shelf.storage.free_bytes()
    captures, _ = captures_of(situation.shelf)
    last = [record.written_bytes for record in captures.records[-3:]]
    needed = 2 * max(last) if len(last) > 1 else int(situation.card.data.total * _GUESSED_RATIO)
    detail = f"{size(free)} free, about {size(needed)} wanted"
    if free < _LEAST_ROOM:
        return Check("room", REFUSE, detail, "Make room on the NAS, or keep fewer captures.")
    if free < needed:
        return Check("room", WARNING, detail, "The capture may not fit. Nothing is lost if it does not.")
    return Check("room", OK, detail)


def check_lock(situation: Situation) -> Check:
    holder = holder_now(situation.shelf.storage)
    if holder is None:
        return Check("lock", OK, "nobody else is at work on the shelf")
    return Check(
        "lock",
        WARNING,
        f"{holder.name} says that it is at work ({holder.doing})",
        "A stale lock is found and followed.",
    )


def check_clock(situation: Situation) -> Check:
    why = situation.session.clock_distrust
    if why is None:
        return Check("clock", OK, f"{situation.session.facts.now():%a %d %b %Y %H:%M %z}")
    return Check("clock", WARNING, why, "Set the clock. A capture can be taken; it is marked.")


def check_manifest(situation: Situation) -> Check:
    problems = situation.session.problems
    if not problems:
        return Check("manifest", OK, f"{situation.session.history.last_sequence} events")
    return Check("manifest", WARNING, "; ".join(problems[:3]), "Run `backupctl verify`.")


CHECKS: tuple[Callable[[Situation], Check], ...] = (
    check_mount,
    check_not_on_source,
    check_source,
    check_use,
    check_packages,
    check_room,
    check_lock,
    check_clock,
    check_manifest,
)


def run_checks(situation: Situation) -> list[Check]:
    """All checks, in order; one that fails by itself refuses."""
    found = []
    for check in CHECKS:
        try:
            found.append(check(situation))
        except (BackupctlError, OSError) as error:
            name = check.__name__.removeprefix("check_").replace("_", " ")
            found.append(Check(name, REFUSE, str(error), getattr(error, "hint", "")))
    return found


def refuse_if_any(checks: list[Check]) -> None:
    """Raises Refused with every refusal in words."""
    refused = [check for check in checks if check.result == REFUSE]
    if refused:
        raise Refused(
            "; ".join(f"{check.name}: {check.detail}" for check in refused),
            " ".join(check.todo for check in refused if check.todo),
        )


def as_json(checks: list[Check]) -> list[dict[str, Any]]:
    return [asdict(check) for check in checks]


def preflight(shelf: Shelf, path: Path, policy: Policy, facts: Facts, reporter: Reporter) -> dict[str, Any]:
    """Behind `preflight`: every check by itself."""
    with open_source(path, policy.image) as source:
        card = source.map(policy.image.leave_out)
        return {"checks": as_json(run_checks(Situation(shelf, Session(shelf, facts, reporter), source, card)))}
