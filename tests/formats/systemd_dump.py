"""What systemd, started for a test only (systemd(1), --test), makes of units in a folder."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path("/usr/lib/systemd/systemd")
NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")


def dump_of(folder: Path, unit: str) -> str:
    """Its lines about a unit. Anybody has to be able to write to the folder."""
    if not SYSTEMD.exists() or shutil.which("setpriv") is None:
        pytest.skip("needs systemd and setpriv")
    told = subprocess.run(
        [*(NOBODY if os.geteuid() == 0 else ()), SYSTEMD, "--test", "--user", f"--unit={unit}"],
        env={"SYSTEMD_UNIT_PATH": f"{folder}:/usr/lib/systemd/system", "XDG_RUNTIME_DIR": str(folder), "LC_ALL": "C"},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    _, found, rest = told.stdout.partition(f"-> Unit {unit}:\n")
    assert found, told.stderr
    return rest.partition("\n\t->")[0]


def open_folder_in(made: Path) -> Path:
    """Makes a folder of tests one that anybody may write to."""
    for above in made.parents:
        # The runner's own: closed to others, and with several processes one more of them.
        if above.stat().st_mode & 0o1005 == 0 and above.stat().st_uid == os.geteuid():
            above.chmod(0o755)
    made.chmod(0o1777)
    return made
