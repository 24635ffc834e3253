"""`thin`, `discard` and `guard` as somebody types them, and what they leave on the share.

What has to stay or go follows from what was typed, and from times that the captures were put to.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.events import Event
from backupctl.share.manifest import append_event
from backupctl.share.storage import FolderStorage
from tests.formats.test_guards import altered
from tests.program import Ended, backupctl, command, environment
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

NEWEST_DAY = "[retention]\ndaily = 1\nweekly = 0\nmonthly = 0\nyearly = 0\neverything_for = 0\nminimum = 1\n"


@pytest.fixture
def policy(tmp_path: Path) -> Path:
    """Keeps one good capture."""
    path = tmp_path / "newest-day.toml"
    path.write_text(NEWEST_DAY)
    return path


def thin(made: Made, policy: Path, *more: str, code: int = 0) -> Ended:
    return backupctl(made.share, "thin", "--policy", policy, *more, code=code)


def actions(made: Made, policy: Path) -> dict[str, tuple[str, str]]:
    """Of each capture, what a thinning would do to it, and why."""
    said = backupctl(made.share, "thin", "--policy", policy, "--dry-run", "--json", code=None).json
    return {item["id"]: (item["action"], ", ".join(item["reasons"])) for item in said}


def ids(made: Made) -> list[str]:
    return [item["id"] for item in backupctl(made.share, "list", "--json", code=None).json]


def at(made: Made, id: str, days_ago: float) -> None:
    """Puts a capture to another time."""
    time = (datetime.now().astimezone() - timedelta(days=days_ago)).isoformat(timespec="seconds")
    altered(made, id, started=time, finished=time)


def add_event(made: Made, kind: str, body: dict[str, Any], **values: Any) -> None:
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    sequence = 1 + max(event["sequence"] for event in backupctl(made.share, "runs", "--json").json)
    said = {
        "sequence": sequence,
        "token": "00000000",
        "kind": kind,
        "time": now,
        "trusted": True,
        "by": {},
        "body": body,
    }
    append_event(FolderStorage(made.shelf), Event(**(said | values)))


def files(folder: Path) -> dict[str, tuple[int, int]]:
    found = (path for path in folder.rglob("*") if path.is_file())
    return {str(path): (path.stat().st_size, path.stat().st_mtime_ns) for path in found}


def test_only_what_was_answered_happens(hurt: Made, policy: Path, tmp_path: Path) -> None:
    before = files(hurt.share)
    shown = thin(hurt, policy, "--dry-run")
    assert f"goes   {datetime.now().astimezone():%a %d %b %Y}" in shown.out
    assert "at the earliest a day later" in " ".join(shown.out.split())
    assert files(hurt.share) == before, "nothing but looked at"
    assert "In a script: --yes." in thin(hurt, policy, code=3).err  # nobody can answer
    assert ids(hurt) == list(hurt.captures)

    first, second = hurt.captures
    reason = actions(hurt, policy)[first][1]
    assert reason == "its day has a newer one"
    assert [item["action"] for item in thin(hurt, policy, "--yes", "--json").json] == ["goes", "stays"]
    assert ids(hurt) == [second]
    [event] = [event for event in backupctl(hurt.share, "runs", "--json").json if event["kind"] == "thinning"]
    assert event["body"]["reasons"] == {first: reason}
    assert event["body"]["policy"] == "newest-day"
    # What it took lies in the trash for now, and a person can bring it back from there.
    assert [path.name for path in hurt.shelf.glob("trash/*/*.record.json")] == [f"{first}.record.json"]
    backupctl(hurt.share, "restore", second, tmp_path / "back.img")
    assert (tmp_path / "back.img").read_bytes() == hurt.states[1].read_bytes()


def test_more_than_is_usual_wants_another_word(hurt: Made, policy: Path) -> None:
    policy.write_text(f"{NEWEST_DAY}max_removals = 1\n")
    hurt.capture()
    there = ids(hurt)
    for words in (("--yes",), ("--yes", "--tidy"), ("--all",)):
        thin(hurt, policy, *words, code=3 if "--all" in words else 4)
        assert ids(hurt) == there
    assert "say --all" in thin(hurt, policy, "--yes", code=4).out
    assert "2 captures removed" in thin(hurt, policy, "--yes", "--all").out
    assert ids(hurt) == there[2:]


def test_cards_and_files_are_counted_apart(hurt: Made, policy: Path, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "note").write_text("water the ferns\n")
    files = [hurt.capture(source=tree) for _ in range(2)]
    shown = thin(hurt, policy, "--dry-run").out
    found = re.findall(r"^(goes|stays) .* (card|files)  ", shown, re.MULTILINE)
    assert found == [("goes", "card"), ("stays", "card"), ("goes", "files"), ("stays", "files")]
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [hurt.captures[1], files[1]]
    assert "newest good capture of its kind" in backupctl(hurt.share, "discard", hurt.captures[1], "--yes", code=3).err


def test_a_guard_ends_by_itself(hurt: Made, policy: Path) -> None:
    first, second = hurt.captures
    end = datetime.now().astimezone() + timedelta(seconds=4)
    backupctl(hurt.share, "guard", first, "--reason", "until the lamp is back", "--until", end.isoformat())
    assert actions(hurt, policy)[first] == ("stays", "guarded, until the lamp is back")
    thin(hurt, policy, "--yes")
    assert "is guarded: until the lamp is back" in backupctl(hurt.share, "discard", first, "--yes", code=3).err
    assert ids(hurt) == [first, second]
    while datetime.now().astimezone() < end:
        time.sleep(0.1)
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [second]


def test_nothing_goes_while_the_clock_is_in_doubt(hurt: Made, policy: Path) -> None:
    """The same as if this clock had fallen back: the share knows a later time."""
    add_event(hurt, "verified", {}, time="2199-01-01T00:00:00+00:00")
    ended = thin(hurt, policy, "--yes", code=4)
    assert "the clock is not trusted" in " ".join(ended.out.split())
    assert "before the newest event on the share" in " ".join(ended.out.split())
    assert ids(hurt) == list(hurt.captures)
    policy.write_text(f'{NEWEST_DAY}[clock]\ntrust = "always"\n')
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [hurt.captures[1]]


def test_nothing_goes_while_a_capture_is_of_a_day_to_come(hurt: Made, policy: Path) -> None:
    at(hurt, hurt.captures[1], -400)
    ended = thin(hurt, policy, "--yes", code=4)
    assert "which is yet to come" in " ".join(ended.out.split())
    assert ids(hurt) == list(hurt.captures)


def test_nothing_goes_after_a_capture_that_failed_unless_room_is_what_failed(hurt: Made, policy: Path) -> None:
    add_event(hurt, "failed", {"what": "capture", "cause": "the card reader caught fire"})
    ended = thin(hurt, policy, "--yes", code=4)
    assert "the newest capture run failed: the card reader caught fire" in " ".join(ended.out.split())
    # Said once, and not of each capture again.
    assert ended.out.count("caught fire") == 1
    assert ids(hurt) == list(hurt.captures)
    add_event(hurt, "failed", {"what": "capture", "cause": "there is no room", "room": True})
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [hurt.captures[1]]


def test_partial_ones_push_out_no_good_one(hurt: Made, policy: Path) -> None:
    good = hurt.captures[1]
    partial = [hurt.capture(), hurt.capture()]
    for id in partial:
        altered(hurt, id, state="partial", unreadable=[[4096, 8192]])
    policy.write_text(NEWEST_DAY.replace("daily = 1", "daily = 0"))
    assert {id: action for id, (action, _) in actions(hurt, policy).items()} == {
        hurt.captures[0]: "goes", good: "stays", partial[0]: "goes", partial[1]: "stays",
    }  # fmt: skip
    assert "the last that could be read of its card" in actions(hurt, policy)[partial[1]][1]
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [good, partial[1]]
    # Once its losses are accepted, it is the newest good one.
    backupctl(hurt.share, "accept", partial[1], "--yes")
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [partial[1]]


def test_the_last_of_an_old_card_stays_until_the_new_one_is_proven(hurt: Made, policy: Path, tmp_path: Path) -> None:
    policy.write_text(NEWEST_DAY.replace("minimum = 1", "minimum = 3").replace("daily = 1", "daily = 0"))
    old = hurt.captures[1]
    other = tmp_path / "other.img"
    other.write_bytes(hurt.card.read_bytes())
    backupctl(hurt.share, "boards", "continue", "shed", "--new-card")
    new = [hurt.capture(source=other) for _ in range(3)]
    assert actions(hurt, policy)[old] == (
        "stays", "the last of the old card, until the new one has 3 good captures and a passed drill",
    )  # fmt: skip
    thin(hurt, policy, "--yes")
    assert ids(hurt) == [old, *new]
    add_event(hurt, "drilled", {"capture": new[2], "passed": True})
    thin(hurt, policy, "--yes")
    assert ids(hurt) == new


def begun(made: Made, happened: Callable[[], bool], *arguments: str | Path) -> subprocess.Popen[bytes]:
    """A run in a process group of its own, as soon as something has happened."""
    words = command(*arguments, "--quiet")
    run = subprocess.Popen(
        words, env=environment(made.share), start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    while not happened():
        assert run.poll() is None, "too quick to be caught"
        time.sleep(0.0002)
    return run


def ended(run: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Its exit code, and what it said of errors, in one line."""
    _, told = run.communicate(timeout=60)
    return run.returncode, " ".join(told.decode().split())


def check_left(made: Made, policy: Path, target: Path) -> None:
    """One capture is left, whole, and nothing else of the other."""
    thin(made, policy, "--yes", "--tidy")
    assert ids(made) == [made.captures[1]]
    assert [path.name for path in (made.shelf / "captures").iterdir()] == [made.captures[1]]
    assert list((made.shelf / "trash").iterdir()) == []
    backupctl(made.share, "verify")
    backupctl(made.share, "restore", made.captures[1], target)
    assert target.read_bytes() == made.states[1].read_bytes()


@pytest.mark.parametrize("where", ["trash/*", "trash/*/*.record.json"])
def test_one_that_was_killed_is_finished_by_the_next(hurt: Made, policy: Path, tmp_path: Path, where: str) -> None:
    run = begun(hurt, lambda: any(hurt.shelf.glob(where)), "thin", "--policy", policy, "--yes")
    os.killpg(run.pid, signal.SIGKILL)
    assert ended(run)[0] == -signal.SIGKILL
    for id in ids(hurt):
        target = tmp_path / f"{id}.img"
        backupctl(hurt.share, "restore", id, target)
        assert target.read_bytes() == hurt.states[hurt.captures.index(id)].read_bytes()
    check_left(hurt, policy, tmp_path / "back.img")


def test_one_that_was_stopped_says_that_captures_may_have_gone(hurt: Made, policy: Path, tmp_path: Path) -> None:
    run = begun(hurt, lambda: any(hurt.shelf.glob("trash/*/*.record.json")), "thin", "--policy", policy, "--yes")
    run.send_signal(signal.SIGINT)
    code, said = ended(run)
    assert code == 130
    assert "Some of what was to go may have gone." in said
    assert "is as it was" not in said
    check_left(hurt, policy, tmp_path / "back.img")


def test_of_two_at_once_one_is_told_to_wait(hurt: Made, policy: Path, tmp_path: Path) -> None:
    run = begun(hurt, lambda: any(hurt.shelf.glob("trash/*")), "thin", "--policy", policy, "--yes")
    os.killpg(run.pid, signal.SIGSTOP)
    assert "is at work on this board's shelf (thinning" in thin(hurt, policy, "--yes", code=6).err
    os.killpg(run.pid, signal.SIGCONT)
    assert ended(run)[0] == 0
    check_left(hurt, policy, tmp_path / "back.img")


def test_what_is_being_restored_can_be_restored_to_its_end(hurt: Made, policy: Path, tmp_path: Path) -> None:
    first, target = hurt.captures[0], tmp_path / "back.img"
    run = begun(hurt, lambda: any(tmp_path.glob("*back.img*")), "restore", first, target)
    os.killpg(run.pid, signal.SIGSTOP)
    said = " ".join(thin(hurt, policy, "--yes", "--tidy").out.split())
    assert "1 capture removed" in said
    assert "the trash stays while" in said
    os.killpg(run.pid, signal.SIGCONT)
    assert ended(run)[0] == 0
    assert target.read_bytes() == hurt.states[0].read_bytes()
    check_left(hurt, policy, tmp_path / "left.img")


def test_the_newest_good_one_goes_by_hand_only_if_it_is_said_twice(hurt: Made) -> None:
    first, second = hurt.captures
    for words in (("newest", "--yes"), (second, "--newest", first)):
        backupctl(hurt.share, "discard", *words, code=3)
    assert ids(hurt) == [first, second]
    backupctl(hurt.share, "discard", second, "--newest", second)
    assert ids(hurt) == [first]
    assert "there is no capture" in backupctl(hurt.share, "discard", second, "--yes", code=2).err
