"""Boards on a share, as somebody asks for them and says what has become of them."""

from __future__ import annotations

import json
import shutil
import subprocess
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from backupctl.domain.events import Event
from backupctl.domain.policy import Policy
from backupctl.operations.capturing.source import Source
from backupctl.operations.facts import this_machine
from backupctl.operations.preflight.card import check_card
from backupctl.operations.preflight.check import warnings_for_the_record
from backupctl.operations.preflight.situation import CardSituation
from backupctl.operations.progress import Quiet
from backupctl.operations.session import Session
from backupctl.share.manifest import append_event
from backupctl.share.shelf import open_shelf
from tests.formats.test_guards import altered
from tests.program import backupctl, command, environment
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats
TOMORROW = str(date.today() + timedelta(days=1))


def board(made: Made, code: int = 0) -> dict[str, object]:
    found = backupctl(made.share, "boards", "--json", code=code).json["boards"]
    assert len(found) == 1
    return dict(found[0])


def days_ago(made: Made, *days: float) -> None:
    """Puts the captures to other times."""
    now = datetime.now().astimezone()
    for id, back in zip(made.captures, days, strict=True):
        at = (now - timedelta(days=back)).isoformat(timespec="seconds")
        altered(made, id, started=at, finished=at)


def test_the_boards_of_a_share(hurt: Made) -> None:
    backupctl(hurt.share, "guard", "before", "--reason", "x")
    backupctl(hurt.share, "verify", hurt.captures[0])
    found = board(hurt)
    assert (found["board"], found["captures"], found["guarded"], found["unverified"]) == ("shed", 2, 1, 1)
    assert found["newest_good"] == hurt.captures[1]
    assert found["usual_interval_seconds"] is None, "two captures within seconds are no rhythm"
    # find(1) and awk(1) add up what is there.
    done = subprocess.run(
        f"find {hurt.shelf} -type f -printf '%s\\n' | awk '{{ all += $1 }} END {{ printf \"%d\", all }}'",
        shell=True, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert found["bytes"] == int(done.stdout)
    said = backupctl(hurt.share, "boards").out
    assert "not an off-site copy" in said
    assert max(map(len, said.splitlines())) < 80
    alone = board(Made(hurt.shelf, hurt.card, hurt.captures, hurt.states))
    assert alone | {"age_seconds": 0} == found | {"age_seconds": 0}, "of a board's shelf alone"


def test_a_board_is_overdue_after_twice_its_usual_time_unless_it_is_away(hurt: Made) -> None:
    days_ago(hurt, 3.9, 1.9)  # every other day
    assert not board(hurt)["overdue"]
    days_ago(hurt, 7, 5)
    assert board(hurt, code=4)["overdue"]
    assert "shed: overdue since " in backupctl(hurt.share, "boards", code=4).out
    backupctl(hurt.share, "boards", "away", "shed", "--until", TOMORROW)
    assert not board(hurt)["overdue"]
    assert "away until" in backupctl(hurt.share, "boards").out
    backupctl(hurt.share, "boards", "--share", hurt.share, "away", "shed", "--back")
    assert board(hurt, code=4)["overdue"]


def test_where_nights_run_the_policy_says_when_a_board_is_overdue(hurt: Made) -> None:
    policy = json.loads(hurt.record(hurt.captures[1]).read_text())["policy"]
    policy["schedule"] |= {"overdue": 3 * 86_400, "random_delay": 1200}
    altered(hurt, hurt.captures[1], policy=policy)
    body = {"capture": hurt.captures[1], "scheduled": True}
    append_event(
        open_shelf(hurt.share, "shed").storage,
        Event(90, "00000000", "captured", "2026-11-20T03:17:00Z", True, {}, body),
    )
    # With the delay, and an hour for a change of clocks: after 3 days and 80 minutes.
    days_ago(hurt, 4, 3 + 79 / 1440)
    assert not board(hurt)["overdue"]
    days_ago(hurt, 4, 3 + 81 / 1440)
    assert board(hurt, code=4)["overdue"]
    policy["schedule"] = {"overdue": -1, "random_delay": "x"}  # makes no sense: then it is by what was usual
    altered(hurt, hurt.captures[1], policy=policy)
    days_ago(hurt, 8, 4)
    assert not board(hurt)["overdue"]


def test_one_shelf_that_cannot_be_opened_hides_no_other(hurt: Made) -> None:
    shutil.copytree(hurt.shelf, hurt.share / "boards" / "barn")  # whose mark says that it is another's
    ended = backupctl(hurt.share, "boards", "--json", code=4).json
    assert [item["board"] for item in ended["boards"]] == ["shed"]
    assert "barn" in ended["problems"][0]


def test_a_board_goes_on_with_another_card(hurt: Made, tmp_path: Path) -> None:
    backupctl(hurt.share, "boards", "continue", "shed", code=2)
    said = backupctl(hurt.share, "boards", "continue", "shed", "--new-card", "--json").json
    assert said["protected"] == [hurt.captures[1]]
    event = backupctl(hurt.share, "runs", "--json").json[-1]
    record = json.loads(hurt.record(hurt.captures[1]).read_text())
    lane = f"image of path {record['source']['path']}"
    assert event["body"] == {"what": "card", "lane": lane, "capture": hurt.captures[1]}
    assert "with a new card" in backupctl(hurt.share, "runs").out
    empty = tmp_path / "empty"
    empty.mkdir()
    backupctl(None, "share", "adopt", empty, "--same-machine", "--board", "new")
    assert "no capture yet" in backupctl(empty, "boards", "continue", "new", "--new-card", code=2).err


def test_another_card_is_warned_of_until_somebody_says_that_the_board_goes_on(hurt: Made, tmp_path: Path) -> None:
    other = tmp_path / "other.img"
    shutil.copyfile(hurt.card, other)
    check = ["preflight", "--board", "shed", "--source", str(other), "--json"]

    def card() -> tuple[str, str]:
        checks = backupctl(hurt.share, *check, code=None).json["checks"]
        found = next(item for item in checks if item["name"] in ("card", "place of the card"))
        return found["result"], found["todo"]

    assert card()[0] == "warning"
    assert "boards continue shed --new-card" in card()[1]
    check[4] = str(hurt.card)
    assert card() == ("ok", "")
    check[4] = str(other)
    backupctl(hurt.share, "boards", "continue", "shed", "--new-card")
    assert card() == ("ok", "")
    hurt.capture(source=other)
    assert card() == ("ok", "")


def test_a_card_that_says_itself_that_it_is_another_is_a_warning_of_the_capture(hurt: Made, tmp_path: Path) -> None:
    nothing = cast(Any, None)

    def warnings(**identity: str) -> list[str]:
        source = Source("/dev/sdb", nothing, 512, {"path": "/dev/sdb", **identity}, lambda: None)
        shelf, facts = open_shelf(hurt.share, "shed"), this_machine(tmp_path)
        session = Session(shelf, facts, Quiet())
        situation = CardSituation(hurt.share, shelf, session, facts, Policy(), source, None, nothing)
        return warnings_for_the_record([check_card(situation)])

    altered(hurt, hurt.captures[1], source={"path": "/dev/sda", "serial": "0x1a"})
    assert "serial 0x2b, and not serial 0x1a" in warnings(serial="0x2b")[0]
    assert warnings(serial="0x1a") == []
    assert warnings() == [], "a place tells too little"


def test_retiring_asks_for_the_name(hurt: Made) -> None:
    files = sorted(path for path in hurt.share.rglob("*"))
    for words in (["--yes"], ["--retire", "shed"], ["--yes", "--retire", "barn"]):
        assert "Nothing was removed" in backupctl(hurt.share, "boards", "retire", "shed", *words, code=3).err
    assert "Nothing was removed" in backupctl(hurt.share, "boards", "retire", "shed", "--dry-run").out
    assert sorted(path for path in hurt.share.rglob("*")) == files


def test_a_retired_board_is_gone(hurt: Made) -> None:
    backupctl(hurt.share, "guard", "before", "--reason", "x")
    said = backupctl(hurt.share, "boards", "retire", "shed", "--retire", "shed", "--yes", "--json").json
    assert said["retired"]
    assert [item["reason"] for item in said["plan"]["guarded"]] == ["x"]
    assert not hurt.shelf.exists()
    assert sorted(path.name for path in hurt.share.iterdir()) == ["boards", "share.json"]
    assert backupctl(hurt.share, "boards", "--json").json == {"boards": [], "retired": [], "problems": []}
    # The board may come back, as a new one.
    assert hurt.capture()


def test_what_is_not_ours_stays(hurt: Made) -> None:
    (hurt.shelf / "a note.txt").write_text("the key is under the mat")
    (hurt.shelf / "stock" / "@nas").mkdir()
    (hurt.shelf / "stock" / "@nas" / "inner").mkdir()
    (hurt.shelf / "captures" / "link").symlink_to(hurt.card)
    words = ("boards", "retire", "shed", "--retire", "shed", "--yes")
    said = backupctl(hurt.share, *words, "--json", code=4).json
    assert (said["retired"], said["left"]) == (False, ["a note.txt", "captures", "stock"])
    assert hurt.card.exists()
    # Until it has gone, the shelf can be used for nothing else.
    capture = backupctl(hurt.share, "capture", "--board", "shed", "--source", hurt.card, code=3)
    assert "boards retire shed" in capture.err
    backupctl(None, "share", "adopt", hurt.share, "--same-machine", "--board", "shed", code=3)
    assert "boards retire shed" in " ".join(backupctl(hurt.share, "boards", code=4).out.split())
    (hurt.shelf / "captures" / "link").unlink()
    (hurt.shelf / "a note.txt").unlink()
    shutil.rmtree(hurt.shelf / "stock" / "@nas")
    assert backupctl(hurt.share, *words, "--json").json["retired"]
    assert not hurt.shelf.exists()


def test_a_board_is_not_retired_while_somebody_works_on_its_shelf(hurt: Made) -> None:
    words = ("boards", "retire", "shed", "--retire", "shed", "--yes")
    program = (
        "import os, sys, time\n"
        "from pathlib import Path\n"
        "from backupctl.operations.facts import this_machine\n"
        "from backupctl.operations.progress import Quiet\n"
        "from backupctl.operations.session import hold\n"
        "from backupctl.share.readers import reading\n"
        "from backupctl.share.shelf import open_shelf\n"
        f"shelf, facts = open_shelf(Path({str(hurt.share)!r}), None), this_machine(Path({str(hurt.share)!r}))\n"
        "with hold(shelf, facts, Quiet(), 'capture of a card') if sys.argv[1] == 'hold' else "
        "reading(shelf.storage, facts.claim('restore of it'), None):\n"
        "    print('now', flush=True)\n"
        "    sys.stdin.read()\n"
    )
    for what, said in (("hold", "capture of a card"), ("read", "restore of it")):
        other = subprocess.Popen(
            [command()[0], "-c", program, what], env=environment(hurt.share), stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert other.stdin and other.stdout
        assert other.stdout.readline() == "now\n"
        assert said in backupctl(hurt.share, *words, code=6).err
        other.stdin.close()
        assert other.wait(60) == 0
        other.stdout.close()
        assert len(backupctl(hurt.share, "list", "--json").json) == 2
    backupctl(hurt.share, *words)
