"""Where files that are needed for a while are made, unless somebody says otherwise."""

from __future__ import annotations

# It outlives a boot (hier(7)), and so is on a disk: /tmp is in memory on many boards.
SCRATCH_FOLDER = "/var/tmp"
