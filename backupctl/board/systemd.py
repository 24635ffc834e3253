"""The systemd that runs this system, and the units that the owner of a machine has put there."""

from __future__ import annotations

from pathlib import Path

from backupctl.board import mount_tables
from backupctl.board.process import Result, find_program, run
from backupctl.domain.errors import UsageError

_SECONDS = 60.0


class Systemd:
    """`root` stands for /, so that another place for /etc and /run can be given; no running systemd is told of that."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.root = root
        self.folder = mount_tables.units_folder(root)

    def is_running(self) -> bool:
        return mount_tables.systemd_runs(self.root)

    def tell(self, *words: str) -> None:
        """`systemctl WORDS`, for the running systemd. Raises as `run` does."""
        if self.root == Path("/"):
            run(["systemctl", *words], _SECONDS)

    def enable(self, *units: str) -> None:
        """For every boot from now on. Raises as `run` does."""
        run(["systemctl", f"--root={self.root}", "enable", *units], _SECONDS)

    def disable(self, *units: str) -> None:
        run(["systemctl", f"--root={self.root}", "disable", *units], _SECONDS)

    def is_enabled(self, unit: str) -> bool:
        """Whether the unit is started with the system."""
        ended = run(["systemctl", f"--root={self.root}", "is-enabled", unit], _SECONDS, success=range(256))
        return ended.text.strip() == "enabled"

    def forget(self, timer: str) -> None:
        """When a timer with Persistent= went off last; while it is stopped. What `systemctl clean` does, over D-Bus."""
        (self.root / f"var/lib/systemd/timers/stamp-{timer}").unlink(missing_ok=True)

    def state(self, unit: str, *properties: str) -> dict[str, str]:
        """Properties of a unit as systemctl(1) shows them; empty where no systemd could be asked."""
        if self.root != Path("/") or not self.is_running():
            return {}
        shown: Result = run(["systemctl", "show", unit, f"--property={','.join(properties)}"], _SECONDS)
        return dict(line.split("=", 1) for line in shown.text.splitlines() if "=" in line)


def check_calendar(text: str) -> None:
    """Raises UsageError if systemd takes `text` for no calendar event; whatever it is where it cannot be asked."""
    if find_program("systemd-analyze") is None:
        return
    ended = run(["systemd-analyze", "calendar", "--", text], _SECONDS, success=range(256))
    if ended.code:
        raise UsageError(f"systemd does not know the time {text!r}: {ended.stderr_tail.strip()}")
