"""Whether a process gets on: the processor time that it uses, and the bytes that it moves."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

# Of one processor. A process that waits for a server is woken now and then, and uses a few microseconds each time.
_IDLE = 0.01
# Time is told in hundredths of a second, and who is only woken is charged a whole one now and then.
_NOTHING_SECONDS = 0.05


@dataclass(frozen=True)
class Activity:
    """Of a process and all that it has started, so far: seconds, and bytes of its reads and writes of whatever kind."""

    processor: float
    bytes: int


def activity(process: int) -> Activity | None:
    """None where the system does not tell (proc(5), /proc/PID/stat and /proc/PID/io)."""
    table = dict(_processes())
    if not table:
        return None
    children: dict[int, list[int]] = {}
    for number, fields in table.items():
        children.setdefault(int(fields[1]), []).append(number)
    ticks = moved = 0
    waiting = [process]
    while waiting:
        number = waiting.pop()
        waiting += children.pop(number, [])
        # Its own, and that of children it has waited for: fields 14 to 17.
        ticks += sum(map(int, table[number][11:15])) if number in table else 0
        # A child that closes a file of the share on its way into another program holds a lock that the file `io` waits
        # for (begin_new_exec(), do_io_accounting() of the kernel, from memory): who reads it then, waits for the share.
        is_held = number != process and number in table and table[number][0] == "D"
        moved += 0 if is_held else _moved(number)
    return Activity(ticks / os.sysconf("SC_CLK_TCK"), moved)


def _processes() -> Iterator[tuple[int, list[str]]]:
    """Numbers, and the fields of their stat from the third on, which is the state."""
    try:
        found = [path for path in Path("/proc").iterdir() if path.name.isdigit()]
    except OSError:
        return
    for path in found:
        try:
            # The second field may hold anything, brackets and spaces included.
            yield int(path.name), (path / "stat").read_text(errors="replace").rpartition(")")[2].split()
        except OSError:
            continue  # it has ended


def _moved(process: int) -> int:
    try:
        lines = Path(f"/proc/{process}/io").read_text().splitlines()
    except OSError:
        return 0
    return sum(int(line.partition(":")[2]) for line in lines if line.startswith(("rchar:", "wchar:")))


class StallWatch:
    """Follows a process that is to get on."""

    def __init__(self, process: int, seconds: float) -> None:
        """Without any progress for so long, it has stalled."""
        self.seconds = seconds
        self._process = process
        self._before = activity(process)  # as it was when it was last seen to get on
        self._last = time.monotonic()

    def progress(self) -> None:
        """It said something."""
        self._last = time.monotonic()

    def has_stalled(self) -> bool:
        """Looks at it; to be called every few seconds."""
        now, seen = time.monotonic(), activity(self._process)
        if seen is None or self._before is None:
            return False
        used = seen.processor - self._before.processor
        # Less than before: one of those that it started has ended.
        if seen.bytes != self._before.bytes or used < 0 or used > max((now - self._last) * _IDLE, _NOTHING_SECONDS):
            self._before, self._last = seen, now
        return now - self._last >= self.seconds
