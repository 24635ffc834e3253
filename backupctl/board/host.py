"""What identifies this machine, and what it believes of the time."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import signal
import time
import uuid
import zoneinfo
from dataclasses import dataclass
from pathlib import Path

from backupctl.domain.errors import UsageError
from backupctl.domain.names import BOARD

# Drawn at random for this program, once. With another one every board would look like another machine.
_APPLICATION = uuid.UUID("6f1d3c52-9a0e-4d0b-8a57-4c1be6d2f3a9")

# Names that many machines have, and that would bring two boards onto one shelf.
_COMMON_HOST_NAMES = frozenset({"", "localhost", "localhost4", "localhost6"})


def board_name(host_name: str | None = None) -> str:
    """This host's name (its first label), as the name of a board: lower case, anything else than [a-z0-9] a hyphen.

    Raises UsageError if that leaves nothing that tells this board from others.
    """
    full = os.uname().nodename if host_name is None else host_name
    name = re.sub(r"[^a-z0-9]+", "-", full.split(".")[0].lower())[:63].strip("-")
    if name in _COMMON_HOST_NAMES or not BOARD.fullmatch(name):
        raise UsageError(f"the host name {full!r} cannot be the name of a board", "Name the board with --board NAME.")
    return name


def machine_id(root: Path = Path("/")) -> str:
    """32 hex digits that are this machine's and this program's own; empty if the machine has no id.

    The machine id itself is confidential and must be hashed with a key of the application (machine-id(5)). The result
    is that of sd_id128_get_machine_app_specific(3).
    """
    found = _first_line(root / "etc/machine-id") or _first_line(root / "var/lib/dbus/machine-id")
    if not re.fullmatch(r"[0-9a-f]{32}", found):
        return ""
    digest = hmac.digest(bytes.fromhex(found), _APPLICATION.bytes, hashlib.sha256)
    return uuid.UUID(bytes=digest[:16], version=4).hex


def hardware_id(root: Path = Path("/")) -> str:
    """What a card that was copied does not take along: the board's serial number, or the address of its network.

    The first is the device tree's (Devicetree Specification 0.4, 3.2: serial-number), the second that of the first
    interface that keeps one (sysfs-class-net, addr_assign_type: 0). Empty if there is neither.
    """
    serial = _first_line(root / "proc/device-tree/serial-number")
    if serial:
        return serial
    for interface in sorted((root / "sys/class/net").glob("*")):
        address = _first_line(interface / "address")
        if _first_line(interface / "addr_assign_type") == "0" and address.strip("0:"):
            return address
    return ""


def boot_id(root: Path = Path("/")) -> str:
    """The id of this boot (random(4), "boot_id"); empty if there is none."""
    return _first_line(root / "proc/sys/kernel/random/boot_id")


def board_model(root: Path = Path("/")) -> str:
    """What the firmware calls this hardware: by the device tree, else by DMI; empty if it does not say."""
    model = _first_line(root / "proc/device-tree/model")
    if not model:
        dmi = root / "sys/class/dmi/id"
        model = f"{_first_line(dmi / 'sys_vendor')} {_first_line(dmi / 'product_name')}"
    return "".join(character for character in model if character.isprintable()).strip()


def hardware(root: Path = Path("/")) -> dict[str, object]:
    """What this machine is, for whoever asks later whether a card would boot on it.

    `machine` as uname(2) has it, `model` as `board_model`; `compatible`, the device tree's own names for it, the most
    special one first (Devicetree Specification, 2.3.1), none where there is no device tree.
    """
    try:
        names = (root / "proc/device-tree/compatible").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        names = []
    return {"machine": os.uname().machine, "model": board_model(root), "compatible": [name for name in names if name]}


def time_zone(tz: str = "", root: Path = Path("/")) -> str:
    """The IANA name of the zone in force: `tz` (the TZ variable) if it names one, else the system's; empty if unknown.

    The system's is where /etc/localtime points to, UTC if there is no such file (localtime(5)); where that is a copy,
    what /etc/timezone says (Debian).
    """
    named = _zone(tz.removeprefix(":"))
    if named:
        return named
    link = root / "etc/localtime"
    if link.is_symlink():
        return _zone(str(link.readlink()).rpartition("zoneinfo/")[2])
    return _zone(_first_line(root / "etc/timezone")) if link.exists() else "UTC"


@dataclass(frozen=True)
class ClockState:
    """What systemd-timesyncd(8) left under FILES. Times in seconds since 1970, as the clock then had it."""

    synchronised: bool | None  # since this boot; None if timesyncd does not run here
    synchronised_at: float | None
    saved_at: float | None  # the time known from earlier boots: the clock is never set before it


def clock_state(root: Path = Path("/")) -> ClockState:
    """Whether the clock can be believed."""
    running = root / "run/systemd/timesync"
    stamp = _modified(running / "synchronized")
    return ClockState(
        synchronised=stamp is not None if running.is_dir() else None,
        synchronised_at=stamp,
        saved_at=_modified(root / "var/lib/systemd/timesync/clock"),
    )


def _zone(name: str) -> str:
    name = re.sub(r"^(posix|right)/", "", name)
    try:
        return zoneinfo.ZoneInfo(name).key if name else ""
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return ""


def _modified(path: Path) -> float | None:
    try:
        return path.stat().st_mtime
    except OSError:
        return None


def _first_line(path: Path) -> str:
    """Without the NUL that ends a string of the device tree."""
    try:
        return path.read_text(errors="replace").rstrip("\0").partition("\n")[0].strip()
    except OSError:
        return ""


def born(process: int) -> str | None:
    """When a process was started, in clock ticks since boot; None if it has ended, "" if that cannot be known.

    A process that has ended and that nobody has waited for counts as ended: without an init that reaps them, as in
    many containers, such processes stay (proc(5), /proc/PID/stat: fields 3 and 22). So does one that was killed and
    waits in the kernel for a device or a server: it runs no instruction of its own any more (signal(7)).
    """
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return None if fields[0] in ("Z", "X") or _is_killed(process) else fields[19]
    except (OSError, IndexError):
        pass  # no such process, or none that may be looked at
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return None
    except PermissionError:
        return ""
    return ""


def _is_killed(process: int) -> bool:
    """Whether SIGKILL waits for it (proc(5), /proc/PID/status: SigPnd and ShdPnd, bit n - 1 for signal n)."""
    found = re.findall(r"^S(?:ig|hd)Pnd:\s*([0-9a-f]+)$", Path(f"/proc/{process}/status").read_text(), re.MULTILINE)
    return any(int(mask, 16) >> (signal.SIGKILL - 1) & 1 for mask in found)


def uptime_seconds() -> float:
    """Since this machine was started, the time in which it slept included (clock_gettime(2), CLOCK_BOOTTIME)."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)
