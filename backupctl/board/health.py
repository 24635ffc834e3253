"""What the kernel says of this machine's power and heat, and of a disk's errors and wear.

Every function takes the root directory under which sys is found. Where the kernel says nothing, nothing is found.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from backupctl.board.block_device import BlockDevice

_HOT = 80.0  # degrees C, where a zone does not say what is too hot for it; common practice, no source
_CLOSE = 5.0  # to the temperature at which the kernel switches the machine off

_PRE_EOL = {2: "80 % of the spare blocks are used up", 3: "90 % of the spare blocks are used up"}


def under_voltage(root: Path = Path("/")) -> list[str]:
    """Sensors by which a voltage is critically low now (`inN_lcrit_alarm`, Documentation/hwmon/sysfs-interface.rst)."""
    alarms = sorted(root.glob("sys/class/hwmon/hwmon*/in*_lcrit_alarm"))
    return [_text(alarm.parent / "name") or alarm.parent.name for alarm in alarms if _text(alarm) == "1"]


def too_hot(root: Path = Path("/")) -> list[str]:
    """Thermal zones that are hot now, in words (Documentation/driver-api/thermal/sysfs-api.rst; millidegrees C)."""
    found = []
    for zone in sorted(root.glob("sys/class/thermal/thermal_zone*")):
        now = _number(zone / "temp")
        if now is not None and now / 1000 >= _limit(zone):
            found.append(f"{_text(zone / 'type') or zone.name} has {now / 1000:.0f} degrees C")
    return found


def _limit(zone: Path) -> float:
    limits = []
    for kind in zone.glob("trip_point_*_type"):
        at = _number(kind.with_name(kind.name.replace("_type", "_temp")))
        if at is not None and at > 0:
            limits += {"hot": [at / 1000], "critical": [at / 1000 - _CLOSE]}.get(_text(kind), [])
    return min(limits, default=_HOT)


def io_errors(disk: BlockDevice, root: Path = Path("/")) -> int | None:
    """Errors that the kernel has counted for the disk since it was plugged in; None where it counts none.

    A few are no trouble: what a drive does not know is asked of it when it is found. SCSI and USB: `ioerr_cnt`, in hex
    (drivers/scsi/scsi_sysfs.c). SD and eMMC: those of data, in `err_stats` of the debugfs (drivers/mmc/core/debugfs.c).
    """
    device = (root / "sys/class/block" / disk.name / "device").resolve()
    try:
        return int(_text(device / "ioerr_cnt"), 16)
    except ValueError:
        pass
    host = device.name.partition(":")[0]
    counts = re.findall(r"^# Data .*:\s*(\d+)$", _text(root / "sys/kernel/debug" / host / "err_stats"), re.MULTILINE)
    return sum(map(int, counts)) if counts else None


def file_system_errors(disk: BlockDevice, root: Path = Path("/")) -> list[str]:
    """Mounted ext4 file systems in which the kernel has found errors, in words (`errors_count`, sysfs-fs-ext4)."""
    names = dict.fromkeys(name for name, mount in disk.mounts if mount.fstype.startswith("ext"))
    counts = {name: _number(root / "sys/fs/ext4" / name / "errors_count") for name in names}
    return [f"{count} in the file system of {name}" for name, count in counts.items() if count]


def wear(disk: BlockDevice, root: Path = Path("/")) -> Iterator[str]:
    """Of an eMMC that is worn, in words (`life_time`, `pre_eol_info`: Documentation/driver-api/mmc/mmc-dev-attrs.rst).

    What the values mean is JEDEC's JESD84-B50, 7.4, from memory: each step of the first is a tenth of its life.
    """
    device = root / "sys/class/block" / disk.name / "device"
    used = max((int(text, 16) for text in re.findall(r"0x[0-9a-f]{1,2}", _text(device / "life_time"))), default=0)
    if used >= 9:
        share = "more than 100" if used > 10 else f"{(used - 1) * 10} to {used * 10}"
        yield f"{share} % of its expected life is used up"
    spare = re.fullmatch(r"0x0([23])", _text(device / "pre_eol_info"))
    if spare:
        yield _PRE_EOL[int(spare[1])]


def _number(path: Path) -> int | None:
    text = _text(path)
    return int(text) if re.fullmatch(r"-?\d{1,9}", text, re.ASCII) else None


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""
