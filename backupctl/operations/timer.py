"""The timer that runs the nights of this board: shown, put in place, and taken away."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
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
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.formats.night_units import (
    HEAD,
    NIGHT,
    NIGHT_TIMER,
    TIMERS,
    UNITS,
    NightCommand,
    command_in,
    crontab,
    night_units,
)
from backupctl.operations.adopt import existing_shelf
from backupctl.operations.facts import Facts
from backupctl.operations.progress import Reporter
from backupctl.operations.retrying import zone_of

Json = dict[str, Any]

_SECONDS = 60.0
_NIGHTS_SHOWN = 3
_TIMES = "ExecMainStartTimestamp", "ExecMainExitTimestamp"
# systemd.exec(5), "Environment Variables Set or Propagated by the Service Manager": $PATH, and little else.
_BARE = ("env", "-i", "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")
_NO_SYSTEMD = "systemd does not run this system, so there are no timers"


@dataclass(frozen=True)
class TimerWish:
    """What the nights are to do. `policy_words` is what names the policy for root, from any folder."""

    program: tuple[str, ...]
    share: Path
    board: str | None
    policy: Policy
    policy_words: str
    source: Path | None = None

    def command(self) -> NightCommand:
        """Raises what `existing_shelf` does for a share that is none."""
        share = self.share.absolute()
        shelf = existing_shelf(share, self.board)
        board = shelf.board if shelf else self.board or board_name()
        options = ("--share", str(share), "--board", board, "--policy", self.policy_words)
        return NightCommand(self.program, options, str(share), str(self.source.absolute()) if self.source else None)


@dataclass(frozen=True)
class InstallOptions:
    """`question` puts a plan into words, and asks for the word yes."""

    question: Callable[[Json], str]
    yes: bool = False
    dry_run: bool = False


def install(wish: TimerWish, options: InstallOptions, systemd: Systemd, facts: Facts, reporter: Reporter) -> Json:
    """Behind `timer install`. Raises Refused, UsageError, OSError, and what programs raise."""
    command = wish.command()
    check_calendar(wish.policy.schedule.when)
    _check_program(command.program)
    texts = night_units(command, wish.policy.schedule, wish.policy.pace)
    _refuse_others(systemd)
    plan = _plan(wish, command, texts, systemd, facts)
    if options.dry_run:
        return plan
    if not systemd.is_running():
        raise Refused(_NO_SYSTEMD, "\n".join(["Put into root's crontab (crontab -e):", *plan["crontab"]]))
    _refuse_unless_root(systemd)
    mount_tables.refuse_fleeting(systemd.root)
    if plan["changes"]:
        if not options.yes and not reporter.ask(options.question(plan), "yes"):
            raise Refused("nothing was installed, since yes was not typed", "In a script: --yes.")
        _write(texts, systemd)
    systemd.enable(*TIMERS)
    systemd.tell("start", *TIMERS)
    return {**plan, "applied": True}


def _write(texts: dict[str, str], systemd: Systemd) -> None:
    for name, text in texts.items():
        write_config(systemd.folder / name, text.encode(), 0o644)
    systemd.tell("daemon-reload")
    # With its memory of when it went off last, a timer whose times have changed would go off at once.
    systemd.tell("stop", *TIMERS)
    systemd.forget(NIGHT_TIMER)


def _plan(wish: TimerWish, command: NightCommand, texts: dict[str, str], systemd: Systemd, facts: Facts) -> Json:
    found = {name: _read(systemd.folder / name) for name in texts}
    states = {name: "new" if found[name] is None else "changed" for name in texts}
    states |= {name: "as it is" for name, text in texts.items() if found[name] == text}
    event, zone = parse_calendar_event(wish.policy.schedule.when), zone_of(facts)
    nights = [at.astimezone(zone) for at in islice(event.after(facts.now(), zone), _NIGHTS_SHOWN)]
    return {
        "policy": wish.policy.name,
        "command": command.night(),
        "units": [
            {"path": str(systemd.folder / name), "state": states[name], "text": text} for name, text in texts.items()
        ],
        "nights": [at.isoformat(timespec="seconds") for at in nights],
        "delay_seconds": wish.policy.schedule.random_delay,
        "crontab": [] if systemd.is_running() else _crontab(command, wish.policy),
        "changes": set(states.values()) != {"as it is"},
        "applied": False,
    }


def _read(path: Path) -> str | None:
    try:
        return path.read_text(errors="replace")
    except FileNotFoundError:
        return None


def _crontab(command: NightCommand, policy: Policy) -> list[str]:
    try:
        return crontab(command, policy.schedule)
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
    for name in UNITS:
        text = _read(systemd.folder / name)
        if text is not None and not text.startswith(HEAD):
            raise Refused(f"{systemd.folder / name} is not this program's", "Look at it, and move it away.")


def show(systemd: Systemd, load_policy: Callable[[str], Policy]) -> Json:
    """Behind `timer show`: what is installed, whether it is what its policy wants by now, and when it goes off."""
    text = _read(systemd.folder / NIGHT)
    command = command_in(text) if text is not None else None
    if command is None:
        return {"installed": False, "outdated": None}
    named = dict(zip(command.options[::2], command.options[1::2], strict=True)).get("--policy", "standard")
    timer = systemd.state(NIGHT_TIMER, "NextElapseUSecRealtime", "LastTriggerUSec", "ActiveState")
    return {
        "installed": True,
        "command": command.night(),
        "policy": named,
        "outdated": _outdated(command, named, systemd, load_policy),
        "enabled": all(systemd.is_enabled(timer) for timer in TIMERS),
        "timer": timer,
        "service": systemd.state(NIGHT, "ActiveState", "Result", "ExecMainStatus", *_TIMES),
    }


def _outdated(command: NightCommand, policy: str, systemd: Systemd, load: Callable[[str], Policy]) -> str | None:
    """Why the units are not what would be installed today; None if they are."""
    try:
        wanted = load(policy)
        texts = night_units(command, wanted.schedule, wanted.pace)
    except BackupctlError as error:
        return error.cause
    differ = [name for name, text in texts.items() if _read(systemd.folder / name) != text]
    return f"{', '.join(differ)} would be written otherwise today" if differ else None


def remove(yes: bool, systemd: Systemd, reporter: Reporter) -> Json:
    """Behind `timer remove`. A night that is at work goes on."""
    _refuse_others(systemd)
    there = [systemd.folder / name for name in UNITS if (systemd.folder / name).exists()]
    if not there:
        return {"removed": []}
    _refuse_unless_root(systemd)
    listed = "\n".join(f"  {path}" for path in there)
    if not yes and not reporter.ask(f"What goes:\n{listed}\n\nType yes to remove the timer:", "yes"):
        raise Refused("nothing was removed, since yes was not typed", "In a script: --yes.")
    timers = [path.name for path in there if path.name in TIMERS]
    if timers:
        systemd.tell("stop", *timers)
        systemd.disable(*timers)
    systemd.forget(NIGHT_TIMER)
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
