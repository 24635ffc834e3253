"""Names that stand on a share. Whatever is read from there must match one of these before it becomes a path."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from backupctl.domain.errors import UsageError

# All are safe as SMB names on any server: ASCII, one case, no reserved characters, no leading or trailing dot.
BOARD = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")
CAPTURE_ID = re.compile(r"(\d{8}T\d{6}Z)-(image|files)-[0-9a-f]{6}")
PART = re.compile(r"[0-9a-f]{20}")
EVENT = re.compile(r"(\d{10})-([0-9a-f]{8})\.json")
FOLDED_EVENTS = re.compile(r"(\d{10})-(\d{10})-[0-9a-f]{8}\.jsonl")
LOCK = re.compile(r"(\d{10})\.json")
TRAY = re.compile(r"(\d{10})-[0-9a-f]{8}")
READER = re.compile(r"[0-9a-f]{16}\.json")
LABEL_MOST = 200
TABLE_SUFFIX = ".table.zst"
PART_SUFFIX = ".zst"


def capture_id(at: datetime, kind: str, random_hex: str) -> str:
    """The id of a capture that starts at `at` (aware): UTC to the second, kind, and 6 random hex digits."""
    made = f"{at.astimezone(UTC):%Y%m%dT%H%M%SZ}-{kind}-{random_hex}"
    if not CAPTURE_ID.fullmatch(made):
        raise ValueError(f"not a capture id: {made}")
    return made


def checked_label(label: str) -> str:
    """`label`, if a capture can have it. Raises UsageError."""
    if not 0 < len(label) <= LABEL_MOST or not label.isprintable() or label == "newest":
        raise UsageError(
            f"{label[:80]!r} cannot be the label of a capture",
            f"Use 1 to {LABEL_MOST} printable characters, and not the word newest.",
        )
    return label


def checked_board(name: str) -> str:
    """`name`, if it can name a board. Raises UsageError."""
    if not BOARD.fullmatch(name):
        raise UsageError(
            f"{name!r} cannot be the name of a board",
            "Use lower-case letters, digits and hyphens, at most 63, such as greenhouse-2.",
        )
    return name
