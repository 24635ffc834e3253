"""The systemd units of a computer that looks after all boards of a share."""

from __future__ import annotations

from dataclasses import dataclass

from backupctl.domain.policy import Policy
from backupctl.formats.timer_kit import (
    CONFINED,
    TimerKit,
    command_in,
    cron_times,
    cron_words,
    exec_line,
    headed,
)

WATCH, WATCH_TIMER = "backupctl-watch.service", "backupctl-watch.timer"
UNITS = WATCH, WATCH_TIMER
# When the nights and their windows are over, and somebody may be up to do something about it. At an odd minute.
_WHEN = "*-*-* 09:43"
_DELAY_SECONDS = 0

_WATCH = """\
[Unit]
Description=Looks after all boards that backupctl captures to a share
# No RequiresMountsFor=: that the share cannot be mounted is something to tell.

[Service]
Type=oneshot
# Any code but 0 is a failure, so that it is among `systemctl --failed`, also 4: a board needs attention.
ExecStart={watch}
TimeoutStartSec=1h
KillMode=mixed
Nice=10
LimitCORE=0
UMask=0077

DevicePolicy=closed
# Its own is the first one; the others are for the program of the policy's [notify].
CapabilityBoundingSet=CAP_DAC_READ_SEARCH
CapabilityBoundingSet=CAP_DAC_OVERRIDE CAP_CHOWN CAP_FOWNER CAP_KILL CAP_SETGID CAP_SETUID
ProtectSystem=full
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
{confined}\
"""

_WATCH_TIMER = """\
[Unit]
Description=When backupctl looks after all boards

[Timer]
OnCalendar={when}
# A computer that was off looks once it is on again.
Persistent=yes

[Install]
WantedBy=timers.target
"""


@dataclass(frozen=True)
class WatchCommand:
    """How the program is called."""

    program: tuple[str, ...]
    options: tuple[str, ...]

    def watch(self) -> list[str]:
        return [*self.program, "watch", *self.options]

    def kit(self, _: Policy) -> TimerKit:
        """The policy's schedule is that of nights. Raises UsageError for a word that a unit cannot hold."""
        texts = {
            WATCH: _WATCH.format(watch=exec_line(self.watch()), confined=CONFINED),
            WATCH_TIMER: _WATCH_TIMER.format(when=_WHEN),
        }
        return TimerKit(tuple(self.watch()), headed(texts), (WATCH_TIMER,), _WHEN, _DELAY_SECONDS, self._crontab)

    def _crontab(self) -> list[str]:
        return [f"{cron_times(_WHEN)} {cron_words(self.watch())}"]


def watch_in(text: str) -> WatchCommand | None:
    """What a watcher's service that was written here runs; None if it is of another kind."""
    found = command_in(text, "watch")
    if found is None:
        return None
    return WatchCommand(found.program, tuple(word for pair in found.options.items() for word in pair))
