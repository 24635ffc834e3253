"""A policy in plain words: a sentence for each of its keys."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from backupctl.domain.policy import Policy
from backupctl.domain.retention import REMOVALS_MOST, REMOVALS_MOST_BUSY
from backupctl.domain.units import counted, size, span


def in_words(policy: Policy) -> dict[str, dict[str, str]]:
    """By section and key, as the policy's file has them."""
    sections = {name: section for name, section in asdict(policy).items() if isinstance(section, dict)}
    return {
        name: {key: (_WORDS.get(f"{name}.{key}") or _WORDS[key])(value) for key, value in section.items()}
        for name, section in sections.items()
    }


def _partitions(left_out: tuple[int, ...]) -> str:
    if not left_out:
        return "All partitions come along."
    return f"What partition {' and '.join(map(str, left_out))} holds does not come along: it is restored empty."


_KINDS = {
    "image": "A capture is the card: every byte of it that is in use.",
    "files": "A capture is the files, as an archive.",
}
_LIVE = {
    "tracked": "A card in use is captured while the board works, as it was in the instant of a freeze.",
    "paused": "A card in use is frozen for the whole of its capture.",
    "refuse": "A card in use is not captured.",
}
_TRUST = {
    "auto": "The clock is trusted where nothing speaks against it; otherwise nothing is thinned.",
    "always": "The clock is trusted, whatever speaks against it.",
}
_DRILLS = {
    "weekly": "Once a week a night drills a capture: whether a board would boot from it.",
    "monthly": "Once a month a night drills a capture: whether a board would boot from it.",
    "quarterly": "Four times a year a night drills a capture: whether a board would boot from it.",
    "yearly": "Once a year a night drills a capture: whether a board would boot from it.",
    "never": "No night makes a drill: whether a board would boot from a capture is not looked at.",
}
_IDENTITY = {
    "xxh3-128": "What the shelf has already is found by XXH3-128, with a secret seed.",
    "sha256": "What the shelf has already is found by SHA-256.",
}

_TLS = {
    "starttls": "The connection to it is encrypted before anything else is said.",
    "tls": "The connection to it is encrypted from its beginning.",
    "none": "The connection to it is not encrypted: it is this machine's own.",
}


def _program(when: str, none: str) -> Callable[[tuple[str, ...]], str]:
    return lambda words: f"{when}: {shlex.join(words)}" if words else none


def _stands(noun: str, now: str) -> Callable[[int], str]:
    return lambda count: (
        f"The newest good one of each of the last {counted(count, noun)} that have any, {now} included."
        if count
        else f"None because of its {noun}."
    )


def _patterns(some: str, none: str) -> Callable[[tuple[str, ...]], str]:
    return lambda texts: f"{some}: {', '.join(texts)}." if texts else none


_WORDS: dict[str, Callable[[Any], str]] = {
    "kind": lambda kind: _KINDS[kind],
    "image.leave_out": _partitions,
    "roots": _patterns("From these folders", "From all file systems of the card that the board runs from."),
    "other_file_systems": lambda wanted: (
        "What is mounted beneath comes along." if wanted else "What is mounted beneath is left out."
    ),
    "files.leave_out": _patterns("Left out", "Nothing more is named to be left out."),
    "take": _patterns("Taken all the same", "Nothing of what is left out is taken all the same."),
    "leave_out_usual": lambda wanted: (
        "Temporary files, caches, swap and trash are left out."
        if wanted
        else "Temporary files, caches, swap and trash come along."
    ),
    "leave_out_tagged_caches": lambda wanted: (
        "Of folders that CACHEDIR.TAG calls a cache, only that tag comes along."
        if wanted
        else "Folders that CACHEDIR.TAG calls a cache are as any other."
    ),
    "leave_out_secrets": lambda wanted: (
        "Files that are known to hold keys and passwords are left out, also those of `take`."
        if wanted
        else "Keys and passwords come along."
    ),
    "sqlite": lambda wanted: (
        "SQLite databases in WAL mode are copied by SQLite itself."
        if wanted
        else "Databases are copied as any other file."
    ),
    "live": lambda how: _LIVE[how],
    "freeze_memory": lambda count: f"No more than {size(count)} are read while everything is frozen.",
    "max_freeze": lambda seconds: f"After {counted(seconds, 'second')} everything is thawed, whatever has happened.",
    "max_rounds": lambda count: f"What was written meanwhile is read again, in up to {counted(count, 'round')}.",
    "only_when": _program("A run is put off unless this succeeds", "No program decides whether a run is put off."),
    "before": _program("Before the freeze", "Nothing is run before the freeze."),
    "after": _program("After it, whatever has happened", "Nothing is run after it."),
    "stop": lambda names: f"Stopped for the freeze: {', '.join(names)}" if names else "No service is stopped for it.",
    "deadline": lambda seconds: f"Each of these may take {counted(seconds, 'second')}.",
    "level": lambda level: f"What is written is compressed by zstd at level {level}.",
    "sync_every": lambda count: f"After every {size(count)} the share is asked to put them on stable storage.",
    "identity": lambda name: _IDENTITY[name],
    "standalone": lambda wanted: (
        "Beside each capture stands the whole card once more, as one file for any tool."
        if wanted
        else "There is no file of the whole card beside a capture."
    ),
    "read_back": lambda wanted: (
        "What was written is read back before the capture counts." if wanted else "What was written is not read back."
    ),
    "rate": lambda rate: (
        f"The card is read at no more than {size(rate)} a second." if rate else "The card is read as fast as it goes."
    ),
    "nice": lambda nice: (
        f"Runs have niceness {nice}: the board's own work comes first."
        if nice
        else "Runs have the same priority as other work."
    ),
    "idle_io": lambda wanted: (
        "Disks are used when nothing else wants them." if wanted else "Disks are used as by any other program."
    ),
    "workers": lambda count: (
        f"{counted(count, 'thread')} for hashing and compressing." if count else "Threads by cores and memory."
    ),
    "when": lambda when: f"Planned for {when}, as systemd.time(7) has it.",
    "random_delay": lambda seconds: (
        f"Up to {span(seconds)} later, always the same on one board." if seconds else "At that time, on all boards."
    ),
    "window": lambda seconds: f"A night that came to nothing is tried again for {span(seconds)}.",
    "retry_every": lambda seconds: f"That is tried every {span(seconds)}.",
    "overdue": lambda seconds: f"Without a good capture for {span(seconds)}, the board is overdue.",
    "verify_nights": lambda nights: (
        f"Every night reads back a part, so that {counted(nights, 'night')} see all of the shelf."
        if nights
        else "Nights read nothing back but what they wrote."
    ),
    "drill": lambda every: _DRILLS[every],
    "scratch": lambda folder: f"A drill rebuilds its capture in {folder}.",
    "stall": lambda seconds: f"A run without any progress for {span(seconds)} is ended.",
    "daily": _stands("day", "today"),
    "weekly": _stands("week", "this week"),
    "monthly": _stands("month", "this month"),
    "yearly": _stands("year", "this year"),
    "newest": lambda count: (
        f"The newest {count}, whatever their dates." if count else "None for being among the newest."
    ),
    "everything_for": lambda seconds: (
        f"Everything of the last {span(seconds)}." if seconds else "None for being young."
    ),
    "minimum": lambda count: f"The newest {count} good ones in any case." if count > 1 else "The newest good one.",
    "max_removals": lambda count: (
        f"More than {counted(count, 'removal')} at once are asked about, and not done by a timer."
        if count
        else f"More than {REMOVALS_MOST} removals at once, or {REMOVALS_MOST_BUSY} where several come in a day, "
        "are asked about, and not done by a timer."
    ),
    "rewrite_dead": lambda percent: (
        "Files of segments are never made smaller."
        if percent == 100
        else f"A file of segments of which {percent} % is no longer needed is made smaller."
    ),
    "rewrite_traffic": lambda count: f"That moves no more than {size(count)} in a night.",
    "renew_after": lambda seconds: (
        f"What stands on the share for {span(seconds)}, and is still on the card, is written anew."
        if seconds
        else "What stands on the share is never written anew."
    ),
    "renew_traffic": lambda count: f"That writes no more than {size(count)} in a night.",
    "reserve": lambda percent: (
        f"A night thins before its capture where that would leave less than {percent} % of the share free "
        "(or less than one whole capture, if that is smaller)."
        if percent
        else "A night thins before its capture where that would not fit."
    ),
    "trust": lambda how: _TRUST[how],
    "command": _program("Told by a program", "No program is told anything."),
    # A URL may be a secret, so it is not repeated here.
    "webhook": lambda url: "Told by a webhook." if url else "No webhook is told anything.",
    "mail_server": lambda name: f"Told by e-mail, sent through {name}." if name else "No e-mail is sent.",
    "mail_port": lambda port: f"That server is spoken to at port {port}.",
    "mail_tls": lambda mode: _TLS[mode],
    "mail_from": lambda address: f"E-mail is from {address}." if address else "E-mail has no sender yet.",
    "mail_to": lambda addresses: f"It goes to {', '.join(addresses)}." if addresses else "It goes to nobody yet.",
    "credentials_file": lambda path: (
        f"The account on that server is in {path}." if path else "That server asks for no account."
    ),
    "digest": lambda wanted: (
        "Once a week a line says how things are, so that silence means something."
        if wanted
        else "Nobody is told anything as long as all is well."
    ),
    "ping": lambda url: "After a good night a URL is fetched." if url else "No URL is fetched after a good night.",
}
