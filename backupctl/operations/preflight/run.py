"""Every check that a capture makes before it reads a byte of the card."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from backupctl.domain.errors import BackupctlError
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.subject import Subject
from backupctl.operations.facts import Facts
from backupctl.operations.preflight import board, card, tree
from backupctl.operations.preflight.check import REFUSE, Check, as_json, is_refused
from backupctl.operations.preflight.share import look_at_share, probe_share
from backupctl.operations.preflight.situation import CardSituation, Situation, TreeSituation, situation_of
from backupctl.operations.progress import Reporter, Step
from backupctl.operations.session import Session
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.operations.shares.share_check import ANSWER_SECONDS

_OF_BOARD: tuple[Callable[[Situation], Check], ...] = (board.check_shelf, board.check_name, board.check_policy)
_OF_CARD: tuple[Callable[[CardSituation], Check], ...] = (
    card.check_not_on_source,
    card.check_source,
    card.check_size,
    card.check_card,
    card.check_use,
    card.check_watchdog,
    card.check_packages,
)
_OF_TREE: tuple[Callable[[TreeSituation], Check], ...] = (tree.check_not_on_source, tree.check_source)
_OF_MACHINE: tuple[Callable[[Situation], Check], ...] = (card.check_power, card.check_heat)
_OF_SHARE: tuple[Callable[[Situation], Check], ...] = (
    board.check_room,
    board.check_time,
    board.check_lock,
    board.check_clock,
    board.check_server_clock,
    board.check_manifest,
)


def run_checks(situation: CardSituation | TreeSituation) -> list[Check]:
    """All checks but those of `share`, in order; one that fails by itself refuses."""
    checks: list[partial[Check]] = [partial(check, situation) for check in _OF_BOARD]
    if isinstance(situation, CardSituation):
        checks += [partial(check, situation) for check in _OF_CARD]
    else:
        checks += [partial(check, situation) for check in _OF_TREE]
    checks += [partial(check, situation) for check in _OF_MACHINE]
    if isinstance(situation, CardSituation):
        checks.append(partial(card.check_wear, situation))
    checks += [partial(check, situation) for check in _OF_SHARE]
    return [_checked(check) for check in checks]


def _checked(check: partial[Check]) -> Check:
    try:
        return check()
    except (BackupctlError, OSError) as error:
        name = check.func.__name__.removeprefix("check_").replace("_", " ")
        return Check(name, REFUSE, str(error), getattr(error, "hint", ""))


def preflight(
    folder: Path,
    board: str | None,
    subject: Subject,
    policy: Policy,
    facts: Facts,
    reporter: Reporter,
    answer_seconds: float = ANSWER_SECONDS,
    ahead: Callable[[CardSituation | TreeSituation], dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Behind `preflight`: every check by itself. Where the share refuses, nothing more is known.

    What `ahead` makes of it, where no check refuses, is added to the result.
    """
    found: dict[str, Any] = {}
    reporter.step(Step("looking for the share", 0, 0))
    checks = look_at_share(folder, facts, answer_seconds)
    if not is_refused(checks):
        shelf = existing_shelf(folder, board)
        reporter.step(Step("trying to write to the share", 0, 0))
        tried, probed = probe_share(shelf.path if shelf else folder)
        checks.append(tried)
        reporter.step(Step("looking at the source and the shelf", 0, 0))
        try:
            with subject.opened(policy) as source:
                session = Session(shelf, facts, reporter) if shelf else None
                situation = situation_of(folder, shelf, session, facts, policy, source, probed)
                checks += run_checks(situation)
                if ahead is not None and not is_refused(checks):
                    found = ahead(situation)
        except BackupctlError as error:
            checks.append(Check("source", REFUSE, error.cause, error.hint))
    return {"checks": as_json(checks), **found}
