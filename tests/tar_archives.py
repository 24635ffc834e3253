"""Archives that GNU tar makes of a folder, in the order and with all that a capture of files has."""

from __future__ import annotations

import subprocess
from pathlib import Path

# The order within a folder is that of strcmp(3), and what is in a folder comes behind it (tar(1), --sort=name).
OPTIONS = (
    "--format=pax", "--sort=name", "--xattrs", "--xattrs-include=*", "--acls", "--sparse", "--numeric-owner",
    "--pax-option=delete=atime,delete=ctime", "--blocking-factor=1",
)  # fmt: skip


def make_archive(folder: Path, archive: Path) -> Path:
    subprocess.run(["tar", *OPTIONS, "-cf", archive, "-C", folder, "."], check=True, capture_output=True)
    return archive
