"""The judge of the image of an ext4 in use: e2fsck may clear what was open and deleted, and then finds nothing."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from tests.system.loop_device import tool

# What e2fsck -p says of a sound file system with open, deleted files: what it does to those, and the summary.
_PREEN = re.compile(
    r"[^:]*: (?:(?:Clearing|Truncating) orphaned inode \d+ .*|Setting free (?:inodes|blocks) count to \d+ .*"
    r"|(?:clean, )?\d+/\d+ files.*, \d+/\d+ blocks)"
)
# Without a journal there is no list of orphans either, and none but an unmounted one is called clean.
_UNCLEAN = re.compile(
    r"[^:]* was not cleanly unmounted, check forced\.|[^:]*: Deleted inode \d+ has zero dtime\.  FIXED\."
    r"|[^:]*: Inode \d+ extent tree \(at level \d\) could be (?:narrower|shorter)\.  IGNORED\."
)


def preens(volume: Path, journal: bool = True) -> None:
    """`volume`, a file or a device, is altered. `journal`: whether it has one."""
    done = subprocess.run(["e2fsck", "-p", str(volume)], capture_output=True, text=True, check=False)
    lines = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
    allowed = [_PREEN] if journal else [_PREEN, _UNCLEAN]
    odd = [line for line in lines if not any(pattern.fullmatch(line) for pattern in allowed)]
    assert not odd and done.returncode in (0, 1), (done.returncode, lines)
    tool("e2fsck", "-fn", volume)
