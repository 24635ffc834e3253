"""The policy of another board, as its newest capture has it, for a board that is to be like it.

It comes from the share, where others can write: its commands, which root would run, are never taken over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from backupctl.board.config_file import write_config
from backupctl.domain.errors import Refused, UsageError
from backupctl.domain.policy import SPANS, HooksPolicy, Policy, parse_policy

FOLDER = Path("etc/backupctl/policies")
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,62}")
_SPAN_UNITS = (("w", 7 * 86_400), ("d", 86_400), ("h", 3600), ("min", 60))


@dataclass(frozen=True)
class TakenOver:
    """`words` name the policy; `file` and `text` are what has to be written for that, None for nothing."""

    policy: Policy
    words: str
    file: Path | None
    text: str | None
    notes: tuple[str, ...]


def policy_of_board(
    recorded: Mapping[str, Any], board: str, root: Path, find: Callable[[str], Policy | None]
) -> TakenOver:
    """`recorded`: as a record has it. `find`: the policy of that name on this machine. Raises UsageError, Refused.

    A policy of this machine is taken where it says the same. Otherwise a file is to be written; who is told, and how,
    is in no record, and commands are left out.
    """
    name = recorded.get("name")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        name = f"of-{board}"
    text = toml_text(recorded)
    wanted = parse_policy(f"of board {board}", text)
    here = find(name)
    if here is not None and _same(here, wanted):
        return TakenOver(here, name, None, None, ())
    notes = ["Who is told, and how, is in no capture: see [notify]."]
    if wanted.hooks != HooksPolicy():
        notes.append(
            f"The commands and services of {board}'s [hooks] are not taken over: root would run what somebody has "
            "written on the share. Put them in yourself."
        )
        wanted = replace(wanted, hooks=HooksPolicy())
    if here is not None:
        name = f"{name}-of-{board}"
        here = find(name)
    if here is not None and _same(replace(here, hooks=HooksPolicy()), wanted):
        return TakenOver(here, name, None, None, ())
    if here is not None:
        raise Refused(f"there is a policy {name} here that says something else", "Say which one you want: --policy.")
    head = f"# As board {board} had it. What is not said here is as in standard.toml.\n"
    text = head + toml_text(wanted.for_record())
    return TakenOver(replace(wanted, name=name), name, root / FOLDER / f"{name}.toml", text, tuple(notes))


def _same(one: Policy, other: Policy) -> bool:
    return replace(one, name="", notify=other.notify) == replace(other, name="")


def write_policy(taken: TakenOver) -> None:
    """Raises OSError."""
    if taken.file is not None and taken.text is not None:
        write_config(taken.file, taken.text.encode(), 0o644)


def toml_text(recorded: Mapping[str, Any]) -> str:
    """What differs from the defaults, as a policy's file has it. Raises UsageError for what no policy can hold."""
    default = Policy().for_record()
    sections = []
    for section, table in recorded.items():
        if section in ("name", "notify"):
            continue
        if not isinstance(table, Mapping):
            raise UsageError(f"the recorded policy's [{section}] is no table")
        known = default.get(section, {})
        lines = [
            f"{key} = {_value(key, value)}"
            for key, value in table.items()
            if key not in known or _plain(known[key]) != _plain(value)
        ]
        if lines:
            sections.append("\n".join([f"[{_bare(section)}]", *map(str, lines)]))
    return "\n\n".join(sections) + "\n"


def _bare(key: str) -> str:
    if not re.fullmatch(r"[a-z_]{1,40}", key):
        raise UsageError(f"the recorded policy has a key that is none: {key[:40]!r}")
    return key


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _value(key: str, value: object) -> str:
    _bare(key)
    if type(value) is int and key in SPANS and value:
        unit, seconds = next(((unit, each) for unit, each in _SPAN_UNITS if value % each == 0), ("min", 60))
        return json.dumps(f"{value / seconds:g} {unit}")
    if isinstance(value, bool | int | str) or (
        isinstance(value, list | tuple) and all(isinstance(item, int | str) for item in value)
    ):
        # TOML's basic strings are JSON's, but for DEL, which has to be escaped (TOML 1.0, "String").
        return json.dumps(value).replace("\x7f", "\\u007f")
    raise UsageError(f"the recorded policy's {key} is of no known kind")
