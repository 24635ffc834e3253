"""Removing the captures that the policy wants no more."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from contextlib import AbstractContextManager
from dataclasses import KW_ONLY, dataclass
from typing import Any

from backupctl.domain.errors import Refused
from backupctl.domain.events import History, kind_of_run
from backupctl.domain.policy import Policy
from backupctl.domain.retention import Plan
from backupctl.operations.capturing.confirming import confirm_parts
from backupctl.operations.facts import Facts
from backupctl.operations.keeping.removal import NOT_COUNTED, Removal, as_json, gone, remove, uncounted
from backupctl.operations.keeping.retention_plan import plan_of
from backupctl.operations.keeping.rewriting import is_worth_it
from backupctl.operations.keeping.survey import survey
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.operations.session import HeldSession, hold, server_says, with_ballast
from backupctl.share.captures import Captures, list_captures
from backupctl.share.lock import holder_now
from backupctl.share.shelf import Shelf
from backupctl.share.trash import AT_ONCE, FULL, Grace, bytes_held

Json = dict[str, Any]

_NO_LIMIT = 1 << 62


@dataclass(frozen=True)
class ThinOptions:
    """`show_plan` makes text of a plan, for the question. `all`: also more removals than usual, which `yes` is not."""

    policy: Policy
    show_plan: Callable[[Json], str]
    _: KW_ONLY
    yes: bool = False
    all: bool = False
    dry_run: bool = False
    confirm: bool = False  # hash what the last run wrote before anything goes: it may be what is to stay
    tidy: bool = False  # give back all room that can be, at once; it confirms as well
    grace: Grace = FULL


def thin(shelf: Shelf, options: ThinOptions, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    """Applies the policy: the plan, and what came of it. Only what was shown goes, if it is still to go by then.

    Asks unless `yes`, also before it tidies: until then a removal can be undone. A plan that is held, or unusual
    without `all`, removes no capture, but finishes what earlier removals left: their trash may be the room that is
    missing. Raises Refused where the answer is no; Busy, OSError, Interrupted, BackupctlError.
    """
    if options.dry_run:
        return _dry_run(shelf, options, facts, reporter, stop)
    run = _Run(shelf, options, facts, reporter, stop)
    shown, goes, removals = with_ballast(shelf, run.plan)
    asked = goes is None
    if goes is None:
        question, word = _question(shown, options)
        if not reporter.ask(question, word):
            hint = f"In a script: --yes{' --all' if word == 'all' else ''}."
            raise Refused(f"nothing was removed, since {word} was not typed", hint)
        goes = [item["id"] for item in shown["captures"] if item["action"] == "goes"]
        removals = with_ballast(shelf, lambda: run.apply(goes or ()))
    while options.tidy and removals and removals[-1].rewriting.parts:
        # Once more: what was rewritten can be hashed now, and what it replaces can go.
        removals += with_ballast(shelf, lambda: run.apply(()))
    came = as_json(removals)
    return {
        **shown, "asked": asked, "removed": gone(shelf, goes), **came, "problems": [*run.warnings, *came["problems"]],
    }  # fmt: skip


class _Run:
    """What a thinning does while it has the lock; each of its methods takes and gives back the lock."""

    def __init__(self, shelf: Shelf, options: ThinOptions, facts: Facts, reporter: Reporter, stop: Stop) -> None:
        self._shelf = shelf
        self._options = options
        self._facts = facts
        self._reporter = reporter
        self._stop = stop
        self.warnings: list[str] = []  # of what was confirmed

    def plan(self) -> tuple[Json, list[str] | None, list[Removal]]:
        """The plan, what of it goes, and what came of that; or None for what goes, if somebody has to be asked."""
        options = self._options
        with self._hold() as session:
            if options.yes:
                self._confirm(session)
            known, plan = self._plan(session)
            shown = _as_json(self._shelf, session.history, plan, known)
            is_unusual = plan.unusual is not None and not options.all
            if (plan.goes or options.tidy) and not options.yes:
                return shown, None, []
            goes = {} if is_unusual else _why(plan)
            return shown, list(goes), [self._remove(session, known, goes)]

    def apply(self, goes: Collection[str]) -> list[Removal]:
        """Removes those of `goes` that are to go by now as well."""
        with self._hold() as session:
            self._confirm(session)
            known, plan = self._plan(session)
            return [self._remove(session, known, {id: why for id, why in _why(plan).items() if id in goes})]

    def _hold(self) -> AbstractContextManager[HeldSession]:
        return hold(self._shelf, self._facts, self._reporter, "thinning", stop=self._stop)

    def _confirm(self, session: HeldSession) -> None:
        if self._options.confirm or self._options.tidy:
            self.warnings += confirm_parts(session, self._stop)

    def _plan(self, session: HeldSession) -> tuple[Captures, Plan]:
        known = list_captures(self._shelf.storage, self._shelf.mark, session.history)
        return known, plan_of(known, session.history, self._options.policy.retention, self._facts, session.witness)

    def _remove(self, session: HeldSession, known: Captures, goes: Mapping[str, str]) -> Removal:
        policy, grace = self._options.policy, self._options.grace
        traffic = policy.space.rewrite_traffic
        if self._options.tidy:
            grace, traffic = AT_ONCE, _NO_LIMIT
        return remove(session, known, goes, "policy", policy, grace, traffic, self._stop)


def _why(plan: Plan) -> dict[str, str]:
    return {verdict.id: "; ".join(verdict.reasons) for verdict in plan.verdicts if not verdict.stays}


def _question(shown: Json, options: ThinOptions) -> tuple[str, str]:
    """And the word that answers it."""
    goes = any(item["action"] == "goes" for item in shown["captures"])
    word = "all" if goes and shown["unusual"] and not options.all else "yes"
    asks = f"Type {word} to remove what goes:" if goes else f"Type {word} to tidy:"
    tidies = "All that was removed, also before, goes for good: the trash is emptied at once.\n\n"
    return f"{options.show_plan(shown)}\n\n{tidies if options.tidy else ''}{asks}", word


def _as_json(shelf: Shelf, history: History, plan: Plan, captures: Captures) -> Json:
    records = {record.id: record for record in captures.records}
    late = [(record, "goes", [NOT_COUNTED]) for record in uncounted(shelf, history, captures)]
    planned = [
        (records[verdict.id], "stays" if verdict.stays else "goes", list(verdict.reasons)) for verdict in plan.verdicts
    ]
    return {
        "board": shelf.board,
        "captures": [
            {
                "id": record.id,
                "kind": record.kind,
                "action": action,
                "reasons": reasons,
                "started": record.started,
                "label": record.label,
            }
            for record, action, reasons in [*planned, *late]
        ],
        "held": plan.held,
        "unusual": plan.unusual,
    }


def _dry_run(shelf: Shelf, options: ThinOptions, facts: Facts, reporter: Reporter, stop: Stop) -> Json:
    policy = options.policy
    captures, history = captures_of(shelf)
    plan = plan_of(captures, history, policy.retention, facts, server_says(shelf))
    files = (f"captures/{id}/{name}" for id in plan.goes for name in shelf.storage.names(f"captures/{id}"))
    would_free = sum(shelf.storage.size(name) or 0 for name in files)
    found = survey(shelf, history, captures, reporter.note, each=step_by_step(reporter, stop))
    try:
        uses = found.without(plan.goes).values()
    finally:
        found.spans.index.close()
    would_free += sum(use.file.bytes + use.file.table_bytes for use in uses if not use.needed)
    if options.tidy:
        would_free += bytes_held(shelf.storage)
        would_free += sum(use.file.stored_bytes - use.live_bytes for use in uses if is_worth_it(use, policy))
    holder = holder_now(shelf.storage)
    if holder is not None and kind_of_run(holder.doing) == "capture":
        reporter.note(f"{holder.name} is at work ({holder.doing}); nothing goes if that came to nothing")
    said = {"dry_run": True, "tidy": options.tidy, "would_free_bytes": would_free}
    return {**_as_json(shelf, history, plan, captures), **said}
