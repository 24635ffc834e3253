"""Whether a package manager is at work, by its locks: an image of a half-made upgrade may not start."""

from __future__ import annotations

import fcntl
import os
import struct
import time
from collections.abc import Callable
from pathlib import Path

# Locked with fcntl(2) while they work: dpkg and apt (apt's own documents name lock-frontend); rpm (from memory).
_LOCKED = ("var/lib/dpkg/lock-frontend", "var/lib/dpkg/lock", "var/lib/rpm/.rpm.lock", "usr/lib/sysimage/rpm/.rpm.lock")
_FLOCK = "hhqqi0q"  # struct flock of fcntl(2) with 64-bit offsets, padded as C does
_POLL_SECONDS = 1.0


def package_manager_at_work(root: Path = Path("/")) -> int:
    """The process that holds a package manager's lock; 0 if none does, or nobody can tell."""
    for name in _LOCKED:
        try:
            fd = os.open(root / name, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            # Asked for, not taken: a lock of ours could make an upgrade fail that begins just now.
            asked = struct.pack(_FLOCK, fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
            kind, _, _, _, process = struct.unpack(_FLOCK, fcntl.fcntl(fd, fcntl.F_GETLK, asked))
        finally:
            os.close(fd)
        if kind != fcntl.F_UNLCK:
            return int(process)
    return 0


def wait_for_package_manager(
    seconds: float, root: Path = Path("/"), sleep: Callable[[float], None] = time.sleep
) -> int:
    """Waits until no package manager is at work, at most so long; the process that still is, or 0."""
    until = time.monotonic() + seconds
    while (process := package_manager_at_work(root)) and time.monotonic() < until:
        sleep(_POLL_SECONDS)
    return process
