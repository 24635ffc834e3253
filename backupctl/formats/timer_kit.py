"""What all units and lines of timers have in common: how words are written in them, and how services are confined."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from dataclasses import dataclass

from backupctl.domain.errors import UsageError
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.formats.systemd_unit import parse_unit

HEAD = "# Written by `backupctl timer install`, which writes it anew each time."
_EDIT = "# For settings of your own: systemctl edit {name}"
_PLAIN_WORD = re.compile(r"[A-Za-z0-9_./:=@+,-]+")

# For every service, whatever it does.
CONFINED = """\
NoNewPrivileges=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
LockPersonality=yes
ProtectHostname=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
"""


@dataclass(frozen=True)
class TimerKit:
    """Units that are put in place together."""

    runs: tuple[str, ...]  # the command that it is all about
    texts: dict[str, str]  # of units, by their names
    timers: tuple[str, ...]  # those of them that are started with the system; the first one goes off `when`
    when: str
    delay_seconds: int
    crontab: Callable[[], list[str]]  # lines in their place, where there is no systemd; raises UsageError


@dataclass(frozen=True)
class Found:
    """A command as a service has it."""

    program: tuple[str, ...]
    options: dict[str, str]


def headed(texts: dict[str, str]) -> dict[str, str]:
    """Units that say whose they are."""
    return {name: f"{HEAD}\n{_EDIT.format(name=name)}\n{text}" for name, text in texts.items()}


def exec_line(words: list[str]) -> str:
    """A command line (systemd.service(5), "COMMAND LINES")."""
    return " ".join(unit_word(word).replace("$", "$$") for word in words)


def unit_word(word: str) -> str:
    """One word of a unit, as systemd.syntax(7) has it under QUOTING; `%` would begin a specifier (systemd.unit(5))."""
    if _PLAIN_WORD.fullmatch(word):
        return word
    # Not all settings resolve escapes the same way, so that these would not be read as they are meant.
    if not word.isprintable() or '"' in word or "\\" in word:
        raise UsageError(f"{word!r} cannot stand in a systemd unit", "Use a simpler name.")
    return f'"{word}"'.replace("%", "%%")


def cron_words(words: list[str]) -> str:
    # crontab(5): a % that is not escaped ends the command.
    return shlex.join(words).replace("%", "\\%")


def cron_times(event: str) -> str:
    """The five fields of crontab(5) for a calendar event. Raises UsageError for one that cron has no words for."""
    when, always = parse_calendar_event(event), parse_calendar_event("*-*-* *:*:*")
    both = when.days != always.days and when.weekdays != always.weekdays  # crontab(5): either is enough then
    if when.zone or when.seconds != (0,) or when.years != always.years or both:
        raise UsageError(f"cron has no words for {event!r}", "It has minutes, hours, and months with days or weekdays.")
    weekdays = tuple(sorted((day + 1) % 7 for day in when.weekdays))  # 0 is Sunday
    pairs = (
        (when.minutes, always.minutes), (when.hours, always.hours), (when.days, always.days),
        (when.months, always.months), (weekdays, always.weekdays),
    )  # fmt: skip
    return " ".join("*" if some == every else ",".join(map(str, some)) for some, every in pairs)


def command_in(service: str, verb: str) -> Found | None:
    """What the text of a service runs, if that is `PROGRAM verb --option VALUE ...`."""
    line = parse_unit(service).get("Service", {}).get("ExecStart", "")
    try:
        words = shlex.split(line.replace("$$", "$"))
        at = words.index(verb)
        return Found(tuple(words[:at]), dict(zip(words[at + 1 :: 2], words[at + 2 :: 2], strict=True)))
    except ValueError:
        return None
