"""Where things are on this machine: policies, state, and the share that is meant."""

from __future__ import annotations

import os
import shutil
import sys
from importlib.resources import files
from pathlib import Path

from backupctl.domain.errors import UsageError
from backupctl.domain.policy import Policy, parse_policy
from backupctl.formats.calendar_event import parse_calendar_event


def state_folder() -> Path:
    """What a run keeps on this machine: events that could not reach the share."""
    if os.name == "posix" and os.geteuid() == 0:
        return Path("/var/lib/backupctl")
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "backupctl"


def policy_folders() -> list[Path]:
    """Where a policy is looked for by name, in this order."""
    config = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    packaged = Path(str(files("backupctl"))) / "policies"
    shipped = packaged if packaged.is_dir() else Path(str(files("backupctl"))).parent / "policies"
    return [Path("/etc/backupctl/policies"), config / "backupctl" / "policies", shipped]


def called_as() -> list[str]:
    """The words that this program was started with, as they can be typed again in the same folder."""
    program = Path(sys.argv[0])
    if program.name == "__main__.py":
        return [_shortest(sys.executable), "-m", "backupctl"]
    return [_shortest(str(program))]


def program() -> tuple[str, ...]:
    """The words that start this program from any folder."""
    started = Path(sys.argv[0])
    if started.name == "__main__.py":
        return sys.executable, "-m", "backupctl"
    return (str(Path(shutil.which(started) or started).absolute()),)


def _shortest(program: str) -> str:
    """The name alone where that finds the same program."""
    name = Path(program).name
    return name if shutil.which(name) == program else program


def policy_file(name: str | None) -> Path:
    """Of a policy by name, or by the path of a file (one that ends in .toml or holds a slash). Raises UsageError."""
    name = name or "standard"
    if name.endswith(".toml") or "/" in name:
        return Path(name)
    for folder in policy_folders():
        if (folder / f"{name}.toml").is_file():
            return folder / f"{name}.toml"
    raise UsageError(f"there is no policy {name!r}", f"There are: {', '.join(known_policies())}.")


def known_policies() -> list[str]:
    """By name, those that come with the program included."""
    return sorted({path.stem for folder in policy_folders() for path in folder.glob("*.toml")})


def load_policy(name: str | None) -> Policy:
    """As `policy_file` finds it. Raises UsageError."""
    path = policy_file(name)
    try:
        policy = parse_policy(path.stem, path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
        raise UsageError(f"policy {path} cannot be read: {why}") from None
    try:
        parse_calendar_event(policy.schedule.when)
    except UsageError as error:
        raise UsageError(f"policy {path.stem}, [schedule]: when is {error.cause}", error.hint) from None
    return policy


def policy_to_tell_by(name: str | None) -> tuple[Policy, str]:
    """The policy, and no words; or as it was when it could be used last, and why it cannot be used now.

    Raises UsageError where it never could.
    """
    from backupctl.operations.nights.policy_last_used import keep_policy, last_used

    words = name or "standard"
    try:
        policy = load_policy(name)
    except UsageError as error:
        kept = last_used(state_folder(), words)
        if kept is None:
            raise
        return kept, f"{error}. What is told, and to whom, is as that policy had it before."
    try:
        keep_policy(state_folder(), words, policy, policy_file(name).read_text(encoding="utf-8"))
    except OSError:
        pass  # then nothing else can be remembered there either, and that is told
    return policy, ""


def policy_words(name: str | None) -> str:
    """What names the same policy for root, from any folder. Raises UsageError."""
    path = policy_file(name)
    etc, _, shipped = policy_folders()
    return path.stem if path.parent in (etc, shipped) else str(path.absolute())
