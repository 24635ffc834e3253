"""Timers that run the nights of this board, or look after all boards: shown, put in place, and taken away."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

from backupctl.board import mount_tables
from backupctl.board.config_file import write_config
from backupctl.board.host import board_name
from backupctl.board.process import ProgramFailed, run
from backupctl.board.systemd import Systemd, check_calendar
from backupctl.domain.errors import BackupctlError, Refused, UsageError
from backupctl.domain.policy import Policy
from backupctl.formats import night_units, watch_units
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.formats.night_units import NIGHT_TIMER, NightCommand, night_in
from backupctl.formats.timer_kit import HEAD, TimerKit
from backupctl.formats.watch_units import WatchCommand, watch_in
from backupctl.operations.facts import Facts
from backupctl.operations.nights import sending
from backupctl.operations.nights.retrying import zone_of
from backupctl.operations.progress import Reporter
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.share.shelf import mark_of_share

Json = dict[str, Any]

_UNITS = *night_units.UNITS, *watch_units.UNITS
_SECONDS = 60.0
_SHOWN = 3
_TIMES = "ExecMainStartTimestamp", "ExecMainExitTimestamp"
# systemd.exec(5), "Environment Variables Set or Propagated by the Service Manager": $PATH, and little else.
_BARE = ("env", "-i", "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")
_NO_SYSTEMD = "systemd does not run this system, so there are no timers"


def night_command(
    program: tuple[str, ...], share: Path, board: str | None, policy_words: str, source: Path | None = None
) -> NightCommand:
    """What nights do. `policy_words` names the policy for root, from any folder.

    Raises what `existing_shelf` does for a share that is none.
    """
    folder = share.absolute()
    shelf = existing_shelf(folder, board)
    name = shelf.board if shelf else board or board_name()
    options = ("--share", str(folder), "--board", name, "--policy", policy_words)
    return NightCommand(program, options, str(folder), str(source.absolute()) if source else None)


def watch_command(program: tuple[str, ...], share: Path, policy_words: str) -> WatchCommand:
    """What a computer that looks after all boards does. Raises Refused for a share that is none."""
    folder = share.absolute()
    mark_of_share(folder)
    return WatchCommand(program, ("--share", str(folder), "--policy", policy_words))


@dataclass(frozen=True)
class InstallOptions:
    """`question` puts a plan into words, and asks for the word yes."""

    question: Callable[[Json], str]
    _: KW_ONLY
    yes: bool = False
    dry_run: bool = False


def install(
    command: NightCommand | WatchCommand,
    policy: Policy,
    options: InstallOptions,
    systemd: Systemd,
    facts: Facts,
    reporter: Reporter,
) -> Json:
    """Behind `timer install`. Raises Refused, UsageError, OSError, and what programs raise."""
    kit = command.kit(policy)
    check_calendar(kit.when)
    _check_program(command.program)
    _refuse_others(systemd)
    plan = _plan(kit, policy, systemd, facts)
    if options.dry_run:
        return plan
    if not systemd.is_running():
        raise Refused(_NO_SYSTEMD, "\n".join(["Put into root's crontab (crontab -e):", *plan["crontab"]]))
    _refuse_unless_root(systemd)
    mount_tables.refuse_fleeting(systemd.root)
    if plan["changes"]:
        if not options.yes and not reporter.ask(options.question(plan), "yes"):
            raise Refused("nothing was installed, since yes was not typed", "In a script: --yes.")
        _write(kit, systemd)
    systemd.enable(*kit.timers)
    systemd.tell("start", *kit.timers)
    return {**plan, "applied": True}


def _write(kit: TimerKit, systemd: Systemd) -> None:
    for name, text in kit.texts.items():
        write_config(systemd.folder / name, text.encode(), 0o644)
    systemd.tell("daemon-reload")
    # With its memory of when it went off last, a timer whose times have changed would go off at once.
    systemd.tell("stop", *kit.timers)
    systemd.forget(kit.timers[0])


def _plan(kit: TimerKit, policy: Policy, systemd: Systemd, facts: Facts) -> Json:
    found = {name: _read(systemd.folder / name) for name in kit.texts}
    states = {name: "new" if found[name] is None else "changed" for name in kit.texts}
    states |= {name: "as it is" for name, text in kit.texts.items() if found[name] == text}
    zone = zone_of(facts)
    to_come = islice(parse_calendar_event(kit.when).after(facts.now(), zone), _SHOWN)
    return {
        "policy": policy.name,
        "tells": bool(sending.ways(policy.notify) or policy.notify.ping),
        "command": list(kit.runs),
        "units": [
            {"path": str(systemd.folder / name), "state": states[name], "text": text}
            for name, text in kit.texts.items()
        ],
        "next": [at.astimezone(zone).isoformat(timespec="seconds") for at in to_come],
        "delay_seconds": kit.delay_seconds,
        "crontab": [] if systemd.is_running() else _crontab(kit),
        "changes": set(states.values()) != {"as it is"},
        "applied": False,
    }


def _read(path: Path) -> str | None:
    try:
        return path.read_text(errors="replace")
    except FileNotFoundError:
        return None


def _crontab(kit: TimerKit) -> list[str]:
    try:
        return kit.crontab()
    except UsageError as error:
        return [f"{error.cause}. {error.hint}"]


def _check_program(program: tuple[str, ...]) -> None:
    """Raises Refused for a program that needs more to start than a service has, such as a folder or a variable."""
    try:
        run([*_BARE, *program, "--version"], _SECONDS, cwd=Path("/"))
    except ProgramFailed as error:
        raise Refused(
            f"{' '.join(program)} does not start as a service would start it: {error.cause}",
            "Install the program as README.md says under 'For real', and call it by its name.",
        ) from error


def _refuse_unless_root(systemd: Systemd) -> None:
    if not os.access(systemd.folder, os.W_OK):
        raise Refused(f"only root can write to {systemd.folder}", "Run it again with sudo.")


def _refuse_others(systemd: Systemd) -> None:
    for name in _UNITS:
        text = _read(systemd.folder / name)
        if text is not None and not text.startswith(HEAD):
            raise Refused(f"{systemd.folder / name} is not this program's", "Look at it, and move it away.")


def show(systemd: Systemd, load_policy: Callable[[str], Policy]) -> Json:
    """Behind `timer show`: what is installed, whether it is what its policy wants by now, and when it goes off."""
    timers = []
    for service, read in ((night_units.NIGHT, night_in), (watch_units.WATCH, watch_in)):
        text = _read(systemd.folder / service)
        command = read(text) if text is not None else None
        if command is not None:
            timers.append({"unit": service, **_shown(service, command, systemd, load_policy)})
    return {"timers": timers}


def _shown(
    service: str, command: NightCommand | WatchCommand, systemd: Systemd, load_policy: Callable[[str], Policy]
) -> Json:
    policy = dict(zip(command.options[::2], command.options[1::2], strict=True)).get("--policy", "standard")
    try:
        kit = command.kit(load_policy(policy))
    except BackupctlError as error:
        return {"policy": policy, "outdated": error.cause, "command": None, "enabled": None, "timer": {}, "service": {}}
    differ = [name for name, text in kit.texts.items() if _read(systemd.folder / name) != text]
    return {
        "policy": policy,
        "outdated": f"{', '.join(differ)} would be written otherwise today" if differ else None,
        "command": list(kit.runs),
        "enabled": all(systemd.is_enabled(timer) for timer in kit.timers),
        "timer": systemd.state(kit.timers[0], "NextElapseUSecRealtime", "LastTriggerUSec", "ActiveState"),
        "service": systemd.state(service, "ActiveState", "Result", "ExecMainStatus", *_TIMES),
    }


def remove(yes: bool, systemd: Systemd, reporter: Reporter) -> Json:
    """Behind `timer remove`. A night that is at work goes on."""
    _refuse_others(systemd)
    there = [systemd.folder / name for name in _UNITS if (systemd.folder / name).exists()]
    if not there:
        return {"removed": []}
    _refuse_unless_root(systemd)
    listed = "\n".join(f"  {path}" for path in there)
    if not yes and not reporter.ask(f"What goes:\n{listed}\n\nType yes to remove it:", "yes"):
        raise Refused("nothing was removed, since yes was not typed", "In a script: --yes.")
    timers = [path.name for path in there if path.suffix == ".timer"]
    if timers:
        systemd.tell("stop", *timers)
        systemd.disable(*timers)
    for timer in timers:
        systemd.forget(timer)
    for path in there:
        path.unlink()
    systemd.tell("daemon-reload")
    return {"removed": [str(path) for path in there]}


def installed_at(systemd: Systemd, facts: Facts) -> datetime | None:
    """When the timer was set up, by the time of its file; None where there is none, as with cron."""
    try:
        at = (systemd.folder / NIGHT_TIMER).stat().st_mtime
    except FileNotFoundError:
        return None
    return datetime.fromtimestamp(at, facts.now().tzinfo)
