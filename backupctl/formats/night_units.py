"""The systemd units that run the nights of a board, and the lines of cron(8) for a board without systemd.

The timer's own memory (`Persistent=`) is of when it went off, not of what came of it. So a second timer looks now and
then whether the night has its capture, and starts the same service if it has not: what somebody sees of the service
(`systemctl status`) is always what came of the last night. That timer counts from when it was started, and by the
kernel's own clock, so that it does not matter when the board learns what time it is. With it goes what tells of nights
that came to nothing; a night tells what it found by itself, unless it was killed, or could not begin.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from backupctl.domain.policy import PacePolicy, Policy, SchedulePolicy
from backupctl.formats.calendar_event import parse_calendar_event
from backupctl.formats.timer_kit import (
    CONFINED,
    TimerKit,
    command_in,
    cron_times,
    cron_words,
    exec_line,
    headed,
    unit_word,
)

NIGHT, NIGHT_TIMER = "backupctl-night.service", "backupctl-night.timer"
RETRY, RETRY_TIMER = "backupctl-retry.service", "backupctl-retry.timer"
NOTIFY = "backupctl-notify.service"
TIMERS = NIGHT_TIMER, RETRY_TIMER
UNITS = NIGHT, NIGHT_TIMER, RETRY, RETRY_TIMER, NOTIFY
_AFTER_BOOT = "15min"  # by then the network is there, and the clock is set
_DUE_SECONDS = 120  # for a share that does not answer

_NIGHT = """\
[Unit]
Description=Night of backupctl: a capture of this board's card
RequiresMountsFor={share}
# A clock that was not set yet is not trusted, and then nothing is thinned.
After=time-sync.target
# Writes to the card are followed there; confined as it is, the service cannot mount it.
Wants=sys-kernel-tracing.mount
After=sys-kernel-tracing.mount
OnFailure={notify}

[Service]
Type=oneshot
ExecStart={night}
# 4: done, with warnings; 9: put off by the policy. All else is a failure, also 7: a card that could not be read
# everywhere.
SuccessExitStatus=4 9
# The program itself is asked to stop, and ends in order; what is left of it then is killed.
KillMode=mixed
{thaw}Nice={nice}
{idle_io}# Not CPUSchedulingPolicy=idle: beside a busy program, an instant can take seconds then, with the card frozen.
# No core dump: memory holds what was read from the card.
LimitCORE=0
UMask=0077

# It reads disks, and writes to none: what it writes goes to the share, and to /var/lib/backupctl.
DevicePolicy=closed
DeviceAllow=block-* r
# SYS_ADMIN freezes file systems; SYS_PTRACE sees what other processes have mounted of the card; IPC_LOCK and
# SYS_RESOURCE keep in memory, and alive, what thaws it again; SYS_NICE has both run before all others for that instant.
# CHOWN to SETUID are for commands of the policy's [hooks].
CapabilityBoundingSet=CAP_SYS_NICE CAP_SYS_ADMIN CAP_SYS_PTRACE CAP_IPC_LOCK CAP_SYS_RESOURCE CAP_DAC_OVERRIDE
CapabilityBoundingSet=CAP_DAC_READ_SEARCH CAP_CHOWN CAP_FOWNER CAP_KILL CAP_SETGID CAP_SETUID
{confined}\
# Whether the card is in use is asked of the kernel, and what of it is mounted where is read from every process's view:
# a view of its own hides neither. But writes are followed through /sys/kernel/tracing, and a trial write on the root
# has to succeed: so no ProtectSystem=strict, ProtectKernelTunables, ProtectProc, PrivateDevices. And nothing that hides
# files: no ProtectHome, ProtectKernelModules, PrivateTmp.
ProtectSystem=full
ProtectControlGroups=yes
ProtectKernelLogs=yes
ProtectClock=yes
"""

_RETRY = """\
[Unit]
Description=Starts the night of backupctl again, if it came to nothing
Wants={notify}

[Service]
Type=oneshot
# Any code but 0 means that there is nothing to do, or nothing that could be done now.
ExecCondition={due}
ExecStart=systemctl --no-block start {unit}
TimeoutStartSec={seconds}
KillMode=mixed
Nice=10
LimitCORE=0

DevicePolicy=closed
CapabilityBoundingSet=CAP_DAC_READ_SEARCH
ProtectSystem=full
ProtectHome=read-only
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
PrivateTmp=yes
{confined}\
"""

_NOTIFY = """\
[Unit]
Description=Tells of the nights of backupctl, if there is something to tell

[Service]
Type=oneshot
ExecStart={tell}
TimeoutStartSec=10min
KillMode=mixed
Nice=10
LimitCORE=0

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

_NIGHT_TIMER = """\
[Unit]
Description=When the nights of backupctl are

[Timer]
OnCalendar={when}
RandomizedDelaySec={delay}
# The same delay each time, from this machine's id.
FixedRandomDelay=yes
# A night for which the board was off is made up for when it is on again.
Persistent=yes

[Install]
WantedBy=timers.target
"""

_RETRY_TIMER = """\
[Unit]
Description=When it is looked whether the night of backupctl has its capture

[Timer]
# After the board was started, and from then on.
OnActiveSec={boot}
OnUnitInactiveSec={every}

[Install]
WantedBy=timers.target
"""


@dataclass(frozen=True)
class NightCommand:
    """How the program is called. `options` are those that a night and `timer due` share."""

    program: tuple[str, ...]
    options: tuple[str, ...]
    share: str
    source: str | None = None  # None: the card that the system runs from

    def kit(self, policy: Policy) -> TimerKit:
        """Raises UsageError for a word that a unit cannot hold."""
        schedule = policy.schedule
        texts = headed(_texts(self, schedule, policy.pace))
        return TimerKit(
            tuple(self.night()), texts, TIMERS, schedule.when, schedule.random_delay, partial(_crontab, self, schedule)
        )

    def night(self) -> list[str]:
        return [*self.program, "night", *self.options, *(["--source", self.source] if self.source else [])]

    def due(self) -> list[str]:
        return [*self.program, "timer", "due", *self.options]

    def tell(self) -> list[str]:
        return [*self.program, "notify", "--due", *self.options]

    def thaw(self) -> list[str] | None:
        """None for a source that is no device: it is never frozen."""
        if self.source and not self.source.startswith("/dev/"):
            return None
        return [*self.program, "thaw", *([self.source] if self.source else [])]


def _texts(command: NightCommand, schedule: SchedulePolicy, pace: PacePolicy) -> dict[str, str]:
    thaw = command.thaw()
    night = _NIGHT.format(
        share=unit_word(command.share),
        notify=NOTIFY,
        night=exec_line(command.night()),
        thaw=f"# In case it was killed while the card was frozen.\nExecStopPost=-{exec_line(thaw)}\n" if thaw else "",
        nice=pace.nice,
        idle_io="IOSchedulingClass=idle\n" if pace.idle_io else "",
        confined=CONFINED,
    )
    due = exec_line(command.due())
    retry = _RETRY.format(due=due, unit=NIGHT, seconds=_DUE_SECONDS, notify=NOTIFY, confined=CONFINED)
    return {
        NIGHT: night,
        NIGHT_TIMER: _NIGHT_TIMER.format(when=schedule.when, delay=f"{schedule.random_delay}s"),
        RETRY: retry,
        RETRY_TIMER: _RETRY_TIMER.format(boot=_AFTER_BOOT, every=f"{schedule.retry_every}s"),
        NOTIFY: _NOTIFY.format(tell=exec_line(command.tell()), confined=CONFINED),
    }


def _crontab(command: NightCommand, schedule: SchedulePolicy) -> list[str]:
    times = cron_times(schedule.when)
    later = (parse_calendar_event(schedule.when).minutes[0] + 30) % 60
    night, due, tell = (cron_words(words) for words in (command.night(), command.due(), command.tell()))
    return [f"{times} {night}", f"{later} * * * * {due} --quiet && {night}; {tell}"]


def night_in(text: str) -> NightCommand | None:
    """What a night's service that was written here runs; None if it is of another kind."""
    found = command_in(text, "night")
    if found is None or "--share" not in found.options:
        return None
    options = tuple(word for pair in found.options.items() if pair[0] != "--source" for word in pair)
    return NightCommand(found.program, options, found.options["--share"], found.options.get("--source"))
