"""Looking after boards from a computer that only reads the share."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from backupctl.domain.notify_policy import NotifyPolicy
from backupctl.domain.policy import Policy
from backupctl.operations.exit_codes import of_watch
from backupctl.operations.facts import this_machine
from backupctl.operations.nights.watch import watch
from tests.formats.test_guards import altered
from tests.listeners import web_server
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

DAY = timedelta(days=1)


class Watcher:
    """Tells by a program that writes down what it gets. The board has a capture every day, the last one just now."""

    def __init__(self, made: Made, folder: Path) -> None:
        self.made, self.folder = made, folder
        self.policy = Policy(notify=NotifyPolicy(command=("sh", "-c", f"cat >>{folder}/told"), digest=False))
        self.now = datetime.now(UTC)
        for capture, at in zip(made.captures, (self.now - DAY, self.now), strict=True):
            altered(made, capture, started=at.isoformat(), finished=at.isoformat())

    def look(self, code: int = 0) -> str:
        file = self.folder / "told"
        before = file.stat().st_size if file.exists() else 0
        facts = replace(this_machine(self.folder / "state"), now=lambda: self.now)
        self.last = watch(self.made.share, self.policy, facts)
        assert of_watch(self.last) == code
        return file.read_text()[before:] if file.exists() else ""


@pytest.fixture
def watcher(hurt: Made, tmp_path: Path) -> Watcher:
    return Watcher(hurt, tmp_path)


def test_nothing_is_written_to_the_share(watcher: Watcher) -> None:
    def all_of_it() -> list[tuple[Path, float, bytes]]:
        files = sorted(path for path in watcher.made.share.rglob("*") if path.is_file())
        return [(path, path.stat().st_mtime, path.read_bytes()) for path in files]

    before = all_of_it()
    watcher.now += 5 * DAY
    assert watcher.look(code=4)
    assert all_of_it() == before


def test_a_board_of_which_nothing_comes_any_more(watcher: Watcher) -> None:
    last = watcher.now
    days = {}
    for day in range(12):
        watcher.now = last + day * DAY
        # By twice the usual time of a day, since no nights are planned on this board.
        said = watcher.look(code=0 if day <= 2 else 4)
        if said:
            days[day] = said
    assert list(days) == [3, 5, 9], "since the second day; again after three and seven"
    assert "shed: its newest good capture is older than its policy allows." in days[3]
    assert f"Safe up to: {last:%a %d %b %Y %H:%M}" in days[3]
    altered(watcher.made, watcher.made.captures[1], started=watcher.now.isoformat(), finished=watcher.now.isoformat())
    assert "it has a new good capture" in watcher.look()


def test_a_share_that_is_not_mounted(watcher: Watcher) -> None:
    assert watcher.look() == ""
    share = watcher.made.share
    share.rename(share.with_name("elsewhere"))
    share.mkdir()
    assert watcher.look(code=1) == (
        "the share: it could not be looked at.\n"
        f"  Since: {watcher.now:%a %d %b %Y %H:%M} +00:00\n"
        "  What to do: Look whether the NAS is on and its share mounted; `backupctl\n"
        "  boards` says more.\n"
    )
    assert "no mark" in watcher.last["problems"][0]
    share.rmdir()
    assert watcher.look(code=1) == "", "told already"
    share.with_name("elsewhere").rename(share)
    assert "the share: it can be looked at again." in watcher.look()


def test_a_shelf_that_cannot_be_read_and_one_that_is_gone(watcher: Watcher) -> None:
    shelf = watcher.made.shelf
    shutil.copytree(shelf, shelf.with_name("barn"))  # whose mark says that it is another's
    assert "barn: it could not be looked at." in watcher.look(code=4)
    shutil.rmtree(shelf.with_name("barn"))
    assert "barn: it is no longer on the share." in watcher.look()
    assert watcher.look() == ""


def test_a_board_that_is_away(watcher: Watcher) -> None:
    watcher.now += 5 * DAY
    assert "older than its policy allows" in watcher.look(code=4)
    until = (watcher.now + 30 * DAY).date().isoformat()
    backupctl(watcher.made.share, "boards", "away", "shed", "--until", until)
    watcher.now += 3 * DAY
    assert watcher.look() == "", "neither that it is overdue, nor that it is not"


def test_a_line_a_board(watcher: Watcher) -> None:
    watcher.policy = replace(watcher.policy, notify=replace(watcher.policy.notify, digest=True))
    shelf = watcher.made.shelf
    shutil.copytree(shelf, shelf.with_name("barn"))
    watcher.look(code=4)
    watcher.now += 7 * DAY
    weekly = watcher.look(code=4).partition("This week:\n")[2]
    assert [line.partition(":")[0] for line in weekly.splitlines() if line[2] != " "] == ["  shed", "  barn"]


def test_at_the_command_line(hurt: Made, tmp_path: Path) -> None:
    policy = tmp_path / "watcher.toml"
    with web_server() as web:
        policy.write_text(f'[notify]\nping = "{web.url("/ping")}"\n')
        assert "shed" in backupctl(hurt.share, "watch", "--policy", policy).out
        assert [(method, path) for method, path, *_ in web.got] == [("GET", "/ping")]
        shutil.copytree(hurt.shelf, hurt.shelf.with_name("barn"))
        ended = backupctl(hurt.share, "watch", "--policy", policy, "--json", code=4)
        assert len(web.got) == 1, "not while something needs attention"
    assert json.loads(ended.out)["found"]["boards"][0]["board"] == "shed"
    assert "no mark" in backupctl(tmp_path, "watch", code=1).out
    assert "no mark" in backupctl(tmp_path, "boards", code=3).err
