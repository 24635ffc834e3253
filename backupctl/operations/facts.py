"""What an operation has to know of the machine and the moment; tests make their own."""

from __future__ import annotations

import hashlib
import os
import platform
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from backupctl import __version__
from backupctl.board import host
from backupctl.share.lock import Claim, Holder


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


@dataclass(frozen=True)
class Facts:
    """This machine, as far as runs and records name it. `machine` is a hash; `state_folder` keeps what stays here.

    `hardware`: what tells apart machines that have one id, because one's card is a copy of the other's; may be empty.
    """

    name: str
    machine: str
    boot: str
    zone: str
    synchronised: bool | None
    state_folder: Path
    now: Callable[[], datetime] = _now
    clock_vouched: bool = False  # the owner vouches for the clock, in the policy
    hardware: str = ""

    def claim(self, doing: str) -> Claim:
        process = os.getpid()
        born = host.born(process) or ""
        return Claim(self._host(), self.boot, process, born, self.name, doing, self._is_gone)

    def _host(self) -> str:
        if not self.hardware:
            return self.machine
        return hashlib.sha256(f"{self.machine} {self.hardware}".encode()).hexdigest()[:32]

    def _is_gone(self, holder: Holder) -> bool | None:
        if holder.host != self._host():
            return None
        if holder.boot != self.boot:
            return True
        born = host.born(holder.process)
        return born is None or bool(holder.born and born and born != holder.born)  # numbers of processes come again

    def by(self) -> dict[str, str]:
        """Who writes an event."""
        return {"host": self.name, "machine": self.machine, "boot": self.boot, "program": __version__}


def this_machine(state_folder: Path, clock_vouched: bool = False) -> Facts:
    """The facts of the machine that this runs on."""
    node = platform.node() or "unnamed"
    fallback = hashlib.sha256(f"backupctl {uuid.getnode()}".encode()).hexdigest()[:32]
    return Facts(
        name=node,
        machine=host.machine_id() or fallback,
        boot=host.boot_id(),
        zone=host.time_zone(os.environ.get("TZ", "")),
        synchronised=host.clock_state().synchronised,
        state_folder=state_folder,
        clock_vouched=clock_vouched,
        hardware=host.hardware_id(),
    )
