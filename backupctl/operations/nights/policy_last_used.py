"""A policy as it could be used last: a slip of the pen in its file must not keep this machine from telling of that."""

from __future__ import annotations

import hashlib
from pathlib import Path

from backupctl.board.config_file import write_config
from backupctl.domain.errors import UsageError
from backupctl.domain.policy import Policy, parse_policy
from backupctl.operations.nights import sending

_FOLDER = "policies"


def keep_policy(state_folder: Path, words: str, policy: Policy, text: str) -> None:
    """Keeps the text of a policy that can be used and tells somebody, by the words that name it. Raises OSError."""
    path = _file_for(state_folder, words)
    there = path.read_text(encoding="utf-8", errors="replace") if path.exists() else None
    if text != there and (there is not None or sending.ways(policy.notify)):
        write_config(path, text.encode(), 0o600)


def last_used(state_folder: Path, words: str) -> Policy | None:
    """The policy that was kept by those words; None where there is none that can be used."""
    try:
        return parse_policy(Path(words).stem, _file_for(state_folder, words).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, UsageError):
        return None


def _file_for(state_folder: Path, words: str) -> Path:
    return state_folder / _FOLDER / f"{hashlib.sha256(words.encode(errors='surrogateescape')).hexdigest()[:16]}.toml"
