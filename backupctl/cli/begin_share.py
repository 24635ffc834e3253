"""The first step of `begin`: which share, tried before a table names it, and mounted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.cli import begin_view, share_questions, shares_view
from backupctl.cli.begin_course import Course, Ended
from backupctl.cli.text import paragraph
from backupctl.domain.errors import Exit, Refused
from backupctl.operations.fleet.boards_seen import boards_seen
from backupctl.operations.shares.share_apply import Account, apply_plan, replaced_line, warnings_here
from backupctl.operations.shares.share_mounting import mount_now
from backupctl.operations.shares.share_plan import SMB, SharePlan, ShareWish, as_json, plan_share, share_address
from backupctl.operations.shares.share_trial import look_aside

Json = dict[str, Any]

_PLACE = "/mnt/nas"


@dataclass(frozen=True)
class Prepared:
    """A share that can be mounted: it was tried. `shown`: the plan as `share plan` shows it; `seen`: `boards_seen`."""

    plan: SharePlan
    account: Account | None
    shown: Json
    seen: Json


def share_step(course: Course, found: Json) -> Path:
    """Has a share mounted; its folder. Raises StepFailed, Ended, BackupctlError."""
    if found["share"] is not None:
        return mounted(course, Path(found["share"]))
    there = _choose_from(course, found["shares"]) if course.given.server is None else None
    if there is not None:
        return mounted(course, there)
    prepared = prepare(course)
    while True:
        course.talk.say(begin_view.prepared(prepared.shown, prepared.seen))
        said = course.talk.choose("Write this?", ("yes", "why", "again", "quit"), "yes")
        if said == "yes":
            return write(course, prepared)
        if said == "quit":
            raise Ended(Exit.REFUSED)
        if said == "again":
            prepared = prepare(course)
        else:
            course.talk.say(
                "\n\n".join([shares_view.reasons(prepared.shown), shares_view.on_the_server(prepared.shown)])
            )


def mounted(course: Course, folder: Path) -> Path:
    """The folder, once something is mounted there. Raises StepFailed."""
    course.work(
        lambda reporter, _: {"mount": mount_now(folder, course.world.root, course.world.facts, reporter)},
    )
    return folder


def _choose_from(course: Course, shares: list[Json]) -> Path | None:
    """One that this machine mounts already, if that is wanted."""
    for share in shares:
        course.talk.say(begin_view.share_found(share))
        said = course.talk.choose("Use this one?", ("yes", "no", "quit"), "yes" if len(shares) == 1 else None)
        if said == "quit":
            raise Ended(Exit.REFUSED)
        if said == "yes":
            return Path(share["mount"])
    return None


def prepare(course: Course, like: str | None = None) -> Prepared:
    """Asks which share, and tries it. Raises UsageError, StepFailed with nothing written.

    `like`: a board whose policy is looked for there. Its own questions are three at most: where to mount is not asked.
    """
    given, talk, root = course.given, course.talk, course.world.root
    protocol, server, path = _address(course)
    place = given.mount if like is None else given.mount or _PLACE
    mount = talk.ask(place, "--mount", "Where to mount it", _PLACE)
    user = _user(course) if protocol == SMB and not given.guest else None
    plan = plan_share(ShareWish(server, path, mount, protocol, user))
    account = Account(user, talk.password(user, server, given.password_file)) if user is not None else None
    shown = {**as_json(plan), "replaces_line": replaced_line(plan, root)}
    lacking = warnings_here(plan.entry, root)
    if lacking:
        raise Refused(lacking[0], "Install it; this can wait meanwhile.")
    shown["warnings"] += share_questions.warning_about(given.password_file)
    facts = course.world.facts
    talk.tell(f"Trying to mount {plan.entry.source}, to look at it only ...")
    seen = course.work(
        lambda reporter, _: look_aside(plan.entry, account, root, lambda folder: boards_seen(folder, facts, like))
    )
    return Prepared(plan, account, shown, seen)


def _address(course: Course) -> tuple[str, str, str]:
    """Protocol, server and path."""
    given = course.given
    if given.server is None:
        return share_address(course.talk.ask(None, "--server", "Which share (like //nas.lan/Back ups)"))
    return given.protocol, given.server, course.talk.ask(given.path, "--path", "Name of the share on it")


def _user(course: Course) -> str | None:
    return (
        course.talk.ask(course.given.user, "--user or --guest", "This board's account there (empty: as a guest)")
        or None
    )


def write(course: Course, prepared: Prepared) -> Path:
    """Writes the tables, as was agreed, and mounts. Nothing here touches the share before that; passwords stay here."""
    told = apply_plan(prepared.plan, prepared.account, course.world.root)
    kept = f" The old fstab is {told['kept']}." if told["kept"] else ""
    course.talk.say("\n".join([paragraph(f"Written.{kept}"), *(paragraph(text) for text in told["notes"])]))
    return mounted(course, Path(prepared.plan.entry.mount_point))
