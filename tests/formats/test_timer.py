"""The timer put in place, shown and removed: on a made-up system, and with a systemd that only takes notes."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.board.systemd import Systemd
from backupctl.domain.errors import BackupctlError, Refused, UsageError
from backupctl.domain.policy import Policy, SchedulePolicy
from backupctl.formats.night_units import NightCommand
from backupctl.operations.facts import Facts, this_machine
from backupctl.operations.nights.timer import InstallOptions, install, night_command, remove, show, watch_command
from backupctl.operations.progress import Quiet
from tests.made_up_system import MadeUpSystem, make
from tests.program import Ended, backupctl

pytestmark = pytest.mark.formats

NAMES = [
    *("backupctl-night.service", "backupctl-night.timer", "backupctl-notify.service"),
    *("backupctl-retry.service", "backupctl-retry.timer"),
]
CARD = ("--board", "mill", "--source", "/dev/sdz")


@pytest.fixture
def system(tmp_path: Path) -> MadeUpSystem:
    if shutil.which("systemctl") is None:
        pytest.skip("needs systemctl")
    made = make(tmp_path)
    (made.root / "run/systemd/system").mkdir(parents=True)  # sd_booted(3)
    backupctl(None, "share", "adopt", made.mounts, "--same-machine", "--board", "mill")
    return made


class Notes(Systemd):
    """Takes notes of what a running systemd would be told."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.told: list[tuple[str, ...]] = []

    def tell(self, *words: str) -> None:
        self.told.append(words)


class Person(Quiet):
    """Somebody at a terminal, who types one word."""

    def __init__(self, word: str) -> None:
        self.word = word
        self.asked: list[str] = []

    def ask(self, question: str, expected: str) -> bool:
        self.asked.append(question)
        return self.word == expected


def facts(system: MadeUpSystem) -> Facts:
    return this_machine(system.root)


def command(system: MadeUpSystem, program: str = "/bin/true") -> NightCommand:
    return night_command((program,), system.mounts, "mill", "standard")


def put(
    system: MadeUpSystem, systemd: Systemd, person: Person, when: str = "*-*-* 03:17", program: str = "/bin/true"
) -> None:
    options = InstallOptions(lambda plan: plan["policy"])
    policy = Policy(schedule=SchedulePolicy(when=when))
    install(command(system, program), policy, options, systemd, facts(system), person)


def units(system: MadeUpSystem) -> list[str]:
    return sorted(path.name for path in system.units.iterdir() if path.is_file())


def timer(system: MadeUpSystem, *words: str | Path, code: int = 0) -> Ended:
    return backupctl(system.mounts, "timer", *words, "--root", system.root, code=code)


def is_enabled(system: MadeUpSystem, name: str) -> bool:
    asked = ["systemctl", f"--root={system.root}", "is-enabled", name]
    return subprocess.run(asked, capture_output=True, text=True, check=False).stdout == "enabled\n"


def test_a_running_systemd_is_told_in_order(system: MadeUpSystem) -> None:
    stamp = system.root / "var/lib/systemd/timers/stamp-backupctl-night.timer"
    stamp.parent.mkdir(parents=True)
    stamp.touch()
    systemd, person = Notes(system.root), Person("yes")
    put(system, systemd, person)
    assert person.asked == ["standard"]
    assert not stamp.exists()
    assert units(system) == NAMES
    timers = "backupctl-night.timer", "backupctl-retry.timer"
    expected = [("daemon-reload",), ("stop", *timers), ("start", *timers)]
    assert systemd.told == expected
    assert all(is_enabled(system, name) for name in timers)
    # A second time, there is nothing to ask and nothing to forget.
    written = [(system.units / name).stat().st_mtime_ns for name in NAMES]
    systemd.told.clear()
    put(system, systemd, person)
    assert (len(person.asked), systemd.told) == (1, [("start", *timers)])
    assert [(system.units / name).stat().st_mtime_ns for name in NAMES] == written
    assert not list(system.units.glob(".*"))


def outdated(systemd: Systemd, policy: Policy) -> object:
    (timer,) = show(systemd, lambda _: policy)["timers"]
    return timer["outdated"]


def test_a_policy_that_has_changed(system: MadeUpSystem) -> None:
    systemd = Notes(system.root)
    put(system, systemd, Person("yes"))
    later = Policy(schedule=SchedulePolicy(when="Wed 04:41"))
    assert outdated(systemd, Policy()) is None
    assert str(outdated(systemd, later)).startswith("backupctl-night.timer would")
    put(system, systemd, Person("yes"), "Wed 04:41")
    assert outdated(systemd, later) is None
    assert "OnCalendar=Wed 04:41\n" in (system.units / NAMES[1]).read_text()


def test_remove_leaves_nothing(system: MadeUpSystem) -> None:
    before = system.everything()
    systemd = Notes(system.root)
    put(system, systemd, Person("yes"))
    systemd.told.clear()
    with pytest.raises(Refused, match="yes was not typed"):
        remove(False, systemd, Person("no"))
    assert units(system) == NAMES
    removed = remove(False, systemd, Person("yes"))["removed"]
    assert sorted(Path(path).name for path in removed) == NAMES
    assert systemd.told[0] == ("stop", "backupctl-night.timer", "backupctl-retry.timer")
    assert systemd.told[-1] == ("daemon-reload",)
    assert system.everything() == before
    assert not [path for path in system.units.rglob("*") if path.is_symlink()]
    assert remove(True, systemd, Person("no")) == {"removed": []}


def no_systemd(system: MadeUpSystem) -> None:
    (system.root / "run/systemd/system").rmdir()


def somebody_elses_unit(system: MadeUpSystem) -> None:
    (system.units / NAMES[0]).write_text("[Service]\nExecStart=/bin/true\n")


def overlay(system: MadeUpSystem) -> None:
    system.mount("overlay", "/", "overlay")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (no_systemd, "systemd does not run"),
        (somebody_elses_unit, "is not this program's"),
        (overlay, "gone after the next boot"),
    ],
)
def test_what_is_refused(system: MadeUpSystem, spoil: Callable[[MadeUpSystem], None], words: str) -> None:
    spoil(system)
    before = system.everything()
    systemd, person = Notes(system.root), Person("yes")
    with pytest.raises(Refused, match=words):
        put(system, systemd, person)
    assert (system.everything(), systemd.told, person.asked) == (before, [], [])


def test_a_program_that_needs_more_than_a_service_has(system: MadeUpSystem) -> None:
    with pytest.raises(Refused, match="does not start as a service"):
        put(system, Notes(system.root), Person("yes"), program="/bin/false")
    assert units(system) == []


def test_times_are_asked_of_systemd_as_well(system: MadeUpSystem) -> None:
    # The program's parser has no limit here, and systemd 252 has: a repetition that goes beyond the end.
    with pytest.raises(UsageError, match="systemd does not know the time"):
        put(system, Notes(system.root), Person("yes"), "03:59/30")


def test_no_share_no_timer(system: MadeUpSystem, tmp_path: Path) -> None:
    with pytest.raises(BackupctlError, match="nowhere"):
        night_command(("/bin/true",), tmp_path / "nowhere", "mill", "standard")
    with pytest.raises(BackupctlError, match="nowhere"):
        watch_command(("/bin/true",), tmp_path / "nowhere", "standard")


def test_a_watcher_beside_the_nights(system: MadeUpSystem) -> None:
    timer(system, "install", *CARD, "--yes")
    told = timer(system, "install", "--watch", "--yes", "--json").json
    assert told["command"][-5:] == ["watch", "--share", str(system.mounts), "--policy", "standard"]
    assert units(system) == [*NAMES, "backupctl-watch.service", "backupctl-watch.timer"]
    assert is_enabled(system, "backupctl-watch.timer")
    shown = timer(system, "show", "--json").json["timers"]
    assert [item["unit"] for item in shown] == ["backupctl-night.service", "backupctl-watch.service"]
    assert [(item["enabled"], item["outdated"]) for item in shown] == [(True, None)] * 2
    timer(system, "install", "--watch", *CARD, code=2)
    assert len(timer(system, "remove", "--yes", "--json").json["removed"]) == len(NAMES) + 2
    assert units(system) == []


def test_at_the_command_line(system: MadeUpSystem, tmp_path: Path) -> None:
    assert timer(system, "show").out == "No timer is installed here.\n"
    policy = tmp_path / "mine.toml"
    policy.write_text('[schedule]\nwhen = "Sun 04:11"\nretry_every = "30 min"\n')
    words = ("--board", "mill", "--policy", policy, "--source", "/dev/sdz")
    told = timer(system, "install", *words, "--dry-run", "--json").json
    assert units(system) == []
    assert [unit["state"] for unit in told["units"]] == ["new"] * 5
    assert told["command"][-8:] == [
        "--share", str(system.mounts), "--board", "mill", "--policy", str(policy), "--source", "/dev/sdz",
    ]  # fmt: skip
    assert all(night.split("T")[1].startswith("04:11") for night in told["next"])
    shown = timer(system, "install", *words, "--dry-run").out
    assert "OnCalendar=Sun 04:11" in shown
    assert "note: that policy tells nobody" in shown
    assert shown.endswith("Nothing was written.\n")
    assert "yes was not typed" in timer(system, "install", *words, code=3).err
    assert timer(system, "install", *words, "--yes").out.startswith("The timer is installed.\n")
    (found,) = timer(system, "show", "--json").json["timers"]
    assert (found["policy"], found["outdated"], found["enabled"]) == (str(policy), None, True)
    policy.write_text('[schedule]\nwhen = "Sun 04:12"\n[notify]\ncommand = ["/bin/true"]\n')
    assert "tells nobody" not in timer(system, "install", *words, "--dry-run").out
    assert "would be written otherwise" in " ".join(timer(system, "show", code=4).out.split())
    assert timer(system, "due", "--board", "mill", code=9).out.startswith("not due: ")
    assert "Removed:" in timer(system, "remove", "--yes").out
    assert units(system) == []


def test_a_name_that_root_finds_stays_a_name(system: MadeUpSystem) -> None:
    told = timer(system, "install", *CARD, "--dry-run", "--json").json
    assert told["command"][told["command"].index("--policy") + 1] == "standard"


def test_without_systemd_there_are_lines_for_cron(system: MadeUpSystem) -> None:
    no_systemd(system)
    assert "For root's crontab:\n17 3 * * * " in timer(system, "install", *CARD, "--dry-run").out
    assert "crontab -e" in timer(system, "install", *CARD, "--yes", code=3).err
