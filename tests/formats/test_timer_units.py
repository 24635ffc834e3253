"""The units of nights and of a watcher, judged by systemd itself; lines for cron."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from backupctl.domain.errors import UsageError
from backupctl.domain.policy import PacePolicy, Policy, SchedulePolicy
from backupctl.formats.night_units import NIGHT, NIGHT_TIMER, NOTIFY, RETRY, NightCommand, night_in
from backupctl.formats.timer_kit import cron_times
from backupctl.formats.watch_units import WATCH, WatchCommand, watch_in
from tests.formats.systemd_dump import dump_of, open_folder_in

pytestmark = pytest.mark.formats

WORDS = ("--share", "/mnt/net share", "--board", "mill", "--policy", "/etc/50 % $HOME; it's.toml")
COMMAND = NightCommand(("/bin/true",), WORDS, "/mnt/net share")
WATCHER = WatchCommand(("/bin/true",), ("--share", "/mnt/net share", "--policy", "/etc/50 %.toml"))
# What DEVELOPERS.md says of them; systemd of another version may weigh otherwise.
MOST_EXPOSED = {NIGHT: 4.5, RETRY: 2.7, NOTIFY: 3.5, WATCH: 3.5}


def units(folder: Path, command: NightCommand | WatchCommand = COMMAND, idle: bool = True) -> list[Path]:
    found = []
    for name, text in command.kit(Policy(pace=PacePolicy(idle_io=idle))).texts.items():
        found.append(folder / name)
        found[-1].write_text(text)
    return found


def analyzed(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    return subprocess.run(["systemd-analyze", *words], cwd=cwd, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("source", [None, "/dev/sdb", "/srv/cards/mill.img"])
@pytest.mark.parametrize("idle", [True, False])
def test_systemd_has_nothing_against_them(tmp_path: Path, source: str | None, idle: bool) -> None:
    command = NightCommand(COMMAND.program, WORDS, "/mnt/net share", source)
    verified = analyzed("verify", *units(tmp_path, command, idle), *units(tmp_path, WATCHER))
    # It exits with 0 on what it ignores, so any message counts.
    assert (verified.returncode, verified.stdout + verified.stderr) == (0, "")


@pytest.mark.parametrize("name", MOST_EXPOSED)
def test_how_exposed_they_are(tmp_path: Path, name: str) -> None:
    units(tmp_path)
    units(tmp_path, WATCHER)
    told = analyzed("security", "--offline=true", "--no-pager", f"./{name}", cwd=tmp_path)
    found = re.search(r"Overall exposure level for \S+: (\d+\.\d)", told.stdout)
    assert found, told.stderr
    assert float(found[1]) <= MOST_EXPOSED[name]


def test_systemd_reads_the_words_that_were_meant(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = open_folder_in(tmp_path_factory.mktemp("units"))
    units(folder)
    dump = dump_of(folder, NIGHT)
    lines = re.findall(r"^\s*Command Line: (.*)$", dump, re.MULTILINE)
    # $$ becomes $ when the command is run (systemd.service(5), "COMMAND LINES").
    assert [word.replace(r"\$\$", "$") for word in shlex.split(lines[0])] == ["/bin/true", "night", *WORDS]
    assert shlex.split(lines[1]) == ["/bin/true", "thaw"]
    assert "\tRequiresMountsFor: /mnt/net share (origin-file)\n" in dump
    # What thaws survives the signal that asks the program to stop (systemd.kill(5)).
    assert re.search(r"^\s*KillMode: mixed$", dump, re.MULTILINE)


def test_what_runs_is_found_again_in_a_unit() -> None:
    for source in (None, "/dev/sdb", "/srv/a card.img"):
        command = NightCommand(("/opt/my tools/backupctl",), WORDS, "/mnt/net share", source)
        assert night_in(command.kit(Policy()).texts[NIGHT]) == command
    assert watch_in(WATCHER.kit(Policy()).texts[WATCH]) == WATCHER
    for text in (
        "",
        "[Service]\nExecStart=/bin/true\n",
        "[Service]\nExecStart=/bin/x night --share\n",
        '[Service]\nExecStart="',
    ):
        assert night_in(text) is None
        assert watch_in(text) is None


@pytest.mark.parametrize("share", ['/mnt/a"b', "/mnt/a\\b", "/mnt/a\nb", "/mnt/a\tb"])
def test_names_that_a_unit_cannot_hold(share: str) -> None:
    with pytest.raises(UsageError, match="cannot stand in a systemd unit"):
        NightCommand(("/bin/true",), ("--share", share), share).kit(Policy())


def test_the_timer_has_the_times_of_the_policy() -> None:
    schedule = SchedulePolicy(when="Wed,Sun 03:41", random_delay=600, retry_every=2700)
    texts = COMMAND.kit(Policy(schedule=schedule)).texts
    # systemd.timer(5), OnCalendar=, RandomizedDelaySec=, FixedRandomDelay=, Persistent=.
    for line in ("OnCalendar=Wed,Sun 03:41", "RandomizedDelaySec=600s", "FixedRandomDelay=yes", "Persistent=yes"):
        assert line in texts[NIGHT_TIMER].splitlines()


@pytest.mark.parametrize(
    ("when", "times"),
    [
        # crontab(5): minute, hour, day of month, month, day of week; 0 is Sunday.
        ("*-*-* 03:17", "17 3 * * *"),
        ("Wed,Sun 03:41", "41 3 * * 0,3"),
        ("*-*-1/10 03:05", "5 3 1,11,21,31 * *"),
        ("*-3..5-* *:00/30", "0,30 * * 3,4,5 *"),
    ],
)
def test_lines_for_cron(when: str, times: str) -> None:
    command = NightCommand(("/bin/true",), ("--share", "/mnt/50 %"), "/mnt/50 %")
    night, again = command.kit(Policy(schedule=SchedulePolicy(when=when))).crontab()
    assert night == rf"{times} /bin/true night --share '/mnt/50 \%'"
    assert re.fullmatch(
        r"\d+ \* \* \* \* /bin/true timer due .* --quiet && /bin/true night .*; /bin/true notify --due .*", again
    )


@pytest.mark.parametrize("when", ["Mon *-*-01 03:17", "03:17:30", "2027-*-* 03:17", "03:17 UTC"])
def test_times_that_cron_has_no_words_for(when: str) -> None:
    with pytest.raises(UsageError, match="cron has no words"):
        cron_times(when)


def test_a_watcher_has_a_line_for_cron_as_well() -> None:
    (line,) = WATCHER.kit(Policy()).crontab()
    assert line == r"43 9 * * * /bin/true watch --share '/mnt/net share' --policy '/etc/50 \%.toml'"
