"""What is checked before a capture reads a byte. Each check has a result, and says what to do about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.card_map import CardMap
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.events import History
from backupctl.domain.policy import Policy
from backupctl.domain.record import card_of
from backupctl.domain.units import size
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter
from backupctl.operations.session import Session, clock_distrust
from backupctl.operations.source import Source, open_source
from backupctl.share.lock import holder_now
from backupctl.share.marks import read_share_mark
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage

OK, WARNING, REFUSE = "ok", "warning", "refuse"
_PACKAGES_SECONDS = 60.0
_IS_IT_MOUNTED = "Is the network share mounted? Its mount point is an ordinary folder now."
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

    folder: Path  # the share, or a shelf
    shelf: Shelf | None  # None: the board is new on this share
    session: Session | None
    facts: Facts
    policy: Policy
    source: Source
    card: CardMap

    @property
    def same_machine(self) -> bool:
        if self.shelf is not None:
            return self.shelf.mark.same_machine
        mark = read_share_mark(FolderStorage(self.folder))
        return mark is not None and mark.same_machine


def check_share(situation: Situation) -> Check:
    if situation.shelf is None:
        return Check("share", OK, f"{situation.folder} is marked; the board is new on it, and gets a shelf of its own")
    return Check("share", OK, f"the shelf of {situation.shelf.board}, {situation.shelf.path}")


def check_policy(situation: Situation) -> Check:
    return Check("policy", OK, situation.policy.name)  # one that cannot be used ends the command before


def check_source(situation: Situation) -> Check:
    card = situation.card
    detail = f"{situation.source.path}: {size(card.size)}, {size(card.in_use_bytes)} in use"
    warnings = [*situation.source.warnings, *card.warnings]
    if warnings:
        return Check("source", WARNING, f"{detail}; {'; '.join(warnings)}", "See what `backupctl cards` says of it.")
    return Check("source", OK, detail)


def check_card(situation: Situation) -> Check:
    """Whether it is the card of before; somebody may have mixed up two cards, or boards."""
    card = card_of(situation.source.identity)
    if situation.shelf is None:
        return Check("card", OK, card)
    captures, history = captures_of(situation.shelf)
    newest = next((record for record in reversed(captures.records) if record.kind == "image"), None)
    continued = max((said.sequence for said in history.continued), default=0)
    if newest is None or newest.sequence < continued or card_of(newest.source) == card:
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


def check_use(situation: Situation) -> Check:
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
        return Check("in use", OK, f"the source is in use; all of it stands still meanwhile: {', '.join(frozen)}")
    if not live.proven:
        return Check("in use", WARNING, "the source is in use, and no write to it could be tried", "It is read-only.")
    if frozen:
        detail += f"; frozen for an instant: {', '.join(frozen)}"
    if synced:
        detail += f"; written out then: {', '.join(synced)}"
    return Check("in use", OK, detail)


def check_watchdog(situation: Situation) -> Check:
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


def check_not_on_source(situation: Situation) -> Check:
    name, source = "share is elsewhere", Path(situation.source.path)
    found = share_on_source(situation.folder, source)
    if found:
        return Check(name, REFUSE, found, _IS_IT_MOUNTED)
    if not source.is_block_device() and source.resolve().is_relative_to(situation.folder.resolve()):
        return Check(
            name, WARNING, "the card file lies on the share itself", "Keep it elsewhere: it is lost with the share."
        )
    return Check(name, OK, f"the share is not on {source}")


def check_mount(situation: Situation) -> Check:
    from backupctl.board.mounts import is_network, mount_of

    mount = mount_of(situation.folder)
    if situation.same_machine:
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
    free = FolderStorage(situation.folder).free_bytes()
    records = captures_of(situation.shelf)[0].records if situation.shelf else ()
    # The first capture, which wrote everything, says nothing of a night.
    last = [record.written_bytes for record in records[1:][-3:]]
    needed = 2 * max(last) if last else int(situation.card.data.total * _GUESSED_RATIO)
    detail = f"{size(free)} free, about {size(needed)} wanted"
    if free < _LEAST_ROOM:
        return Check("room", REFUSE, detail, "Make room on the NAS, or keep fewer captures.")
    if free < needed:
        return Check("room", WARNING, detail, "The capture may not fit. Nothing is lost if it does not.")
    return Check("room", OK, detail)


def check_lock(situation: Situation) -> Check:
    holder = holder_now(situation.shelf.storage) if situation.shelf else None
    if holder is None:
        return Check("lock", OK, "nobody else is at work on the shelf")
    return Check(
        "lock",
        WARNING,
        f"{holder.name} says that it is at work ({holder.doing})",
        "A stale lock is found and followed.",
    )


def check_clock(situation: Situation) -> Check:
    history = situation.session.history if situation.session else History()
    why = clock_distrust(history, situation.facts)
    if why is None:
        return Check("clock", OK, f"{situation.facts.now():%a %d %b %Y %H:%M %z}")
    return Check("clock", WARNING, why, "Set the clock. A capture can be taken; it is marked.")


def check_manifest(situation: Situation) -> Check:
    if situation.session is None:
        return Check("manifest", OK, "none yet")
    problems = situation.session.problems
    if not problems:
        return Check("manifest", OK, f"{situation.session.history.last_sequence} events")
    return Check("manifest", WARNING, "; ".join(problems[:3]), "Run `backupctl verify`.")


CHECKS: tuple[Callable[[Situation], Check], ...] = (
    check_share,
    check_policy,
    check_mount,
    check_not_on_source,
    check_source,
    check_card,
    check_use,
    check_watchdog,
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
    """Raises Refused with every refusal in words, one a line."""
    refused = [check for check in checks if check.result == REFUSE]
    if refused:
        raise Refused(
            "; ".join(f"{check.name}: {check.detail}" for check in refused),
            "\n".join(check.todo for check in refused if check.todo),
        )


def warnings_for_the_record(checks: list[Check]) -> list[str]:
    """Warnings that a run does not come to by itself."""
    kept = ("mount", "share is elsewhere", "card", "in use", "packages", "room")
    return [f"{check.name}: {check.detail}" for check in checks if check.result == WARNING and check.name in kept]


def as_json(checks: list[Check]) -> list[dict[str, Any]]:
    return [asdict(check) for check in checks]


def preflight(
    folder: Path, shelf: Shelf | None, path: Path, policy: Policy, facts: Facts, reporter: Reporter
) -> dict[str, Any]:
    """Behind `preflight`: every check by itself."""
    with open_source(path, policy.image) as source:
        session = Session(shelf, facts, reporter) if shelf else None
        card = source.map(policy.image.leave_out)
        return {"checks": as_json(run_checks(Situation(folder, shelf, session, facts, policy, source, card)))}
