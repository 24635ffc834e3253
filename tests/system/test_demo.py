"""The demo, run as a person would, as root and as nobody in particular; what it leaves is judged by outside tools."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from backupctl.operations.demo_card import PACKAGES
from tests.program import Ended
from tests.system.command_line import NOBODY, backupctl, command, too_wide

pytestmark = pytest.mark.system

SECTOR = 512


def need_outside_tools() -> None:
    for program in ("sfdisk", "e2fsck", "debugfs", "fsck.vfat", "mcopy", "diff"):
        if not shutil.which(program, path=f"{os.environ['PATH']}:/usr/sbin:/sbin"):
            pytest.skip(f"needs {program}")


def tool(*words: str | Path, cwd: Path) -> str:
    path = f"{os.environ['PATH']}:/usr/sbin:/sbin"
    done = subprocess.run(
        [str(word) for word in words], cwd=cwd, capture_output=True, text=True, check=False,
        env={**os.environ, "LC_ALL": "C", "PATH": path},
    )  # fmt: skip
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


@pytest.fixture(params=["self", "nobody"])
def who(request: pytest.FixtureRequest) -> bool:
    """Whether to become nobody."""
    if request.param == "nobody" and os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    return bool(request.param == "nobody")


@pytest.fixture
def place(who: bool) -> Iterator[Path]:
    """A folder that nobody may reach and write (pytest's own are for their owner only)."""
    need_outside_tools()
    with tempfile.TemporaryDirectory() as folder:
        if who:
            os.chown(folder, NOBODY, NOBODY)
        yield Path(folder)


def suggestions(out: str) -> list[str]:
    """The command lines that the demo prints, continued lines joined."""
    joined = out.replace("\\\n", " ")
    return [line.strip() for line in joined.splitlines() if line.startswith("  ")]


def unpacked(card: str, demo: Path, into: Path) -> Path:
    """Every file of a card, taken off it with mtools and debugfs at the places that sfdisk says."""
    table = json.loads(tool("sfdisk", "--json", card, cwd=demo))["partitiontable"]
    boot, root = (int(entry["start"]) * SECTOR for entry in table["partitions"])
    assert [entry["type"] for entry in table["partitions"]] == ["c", "83"]
    for folder in ("boot", "root"):
        (into / card / folder).mkdir(parents=True)
    tool("mcopy", "-s", "-i", f"{card}@@{boot}", "::*", into / card / "boot", cwd=demo)
    tool("debugfs", "-R", f"rdump / {into / card / 'root'}", f"{card}?offset={root}", cwd=demo)
    return into / card


def check_cards(demo: Path, into: Path) -> None:
    for restored, card in (("restored.img", "card.img"), ("rebuilt.img", "card-on-monday.img")):
        table = json.loads(tool("sfdisk", "--json", restored, cwd=demo))["partitiontable"]["partitions"]
        boot, root = table
        tool("e2fsck", "-fn", f"{restored}?offset={int(root['start']) * SECTOR}", cwd=demo)
        alone = into / f"{restored}.boot"
        tool("dd", f"if={restored}", f"of={alone}", f"skip={boot['start']}", f"count={boot['size']}", cwd=demo)
        tool("fsck.vfat", "-n", alone, cwd=demo)
        back = unpacked(restored, demo, into)
        tool("diff", "--recursive", "--no-dereference", unpacked(card, demo, into), back, cwd=demo)
        assert sum(path.is_file() for path in back.rglob("*")) > 300
        with closing(sqlite3.connect(back / "root/srv/greenhouse.sqlite")) as database:
            assert database.execute("pragma integrity_check").fetchone() == ("ok",)
    # A day went by between the two captures.
    monday, tuesday = into / "rebuilt.img", into / "restored.img"
    assert (monday / "root/home/keeper/pictures/bed-07.jpg").exists()
    assert not (tuesday / "root/home/keeper/pictures/bed-07.jpg").exists()
    assert (monday / "boot/kernel.img").read_bytes() != (tuesday / "boot/kernel.img").read_bytes()


def test_the_whole_demo_and_what_it_suggests(place: Path, who: bool, tmp_path: Path) -> None:
    ended = backupctl("demo", cwd=place, as_nobody=who)
    assert ended.code == 0, ended.err
    assert too_wide(ended.out + ended.err) == []
    demo = place / "backupctl-demo"
    assert [path.name for path in place.iterdir()] == ["backupctl-demo"], "nothing is left beside it"
    check_cards(demo, tmp_path)

    *commands, remove = suggestions(ended.out)
    assert len(commands) >= 5
    assert remove == "rm -r backupctl-demo"
    for line in commands:
        done = command(["sh", "-c", line], place, as_nobody=who)
        assert done.code == 0, f"{line}: {done.err}"
        assert too_wide(done.out) == [], line
    tool(
        "diff",
        "--recursive",
        "--no-dereference",
        tmp_path / "rebuilt.img",
        unpacked("again.img", demo, tmp_path),
        cwd=demo,
    )
    assert command(["sh", "-c", remove], place, as_nobody=who).code == 0
    assert list(place.iterdir()) == []


def test_a_folder_of_ones_own_and_a_result_for_programs(tmp_path: Path) -> None:
    need_outside_tools()
    folder = tmp_path / 'what a "name"?'
    ended = backupctl("demo", "--folder", folder, "--json", "--quiet", cwd=tmp_path)
    assert (ended.code, ended.err) == (0, "")
    result = ended.json
    assert [step["what"].split()[0] for step in result["steps"]] == [
        *("make", "adopt", "capture", "a", "capture", "list", "verify", "drill"),
        *("restore", "compare", "rebuild", "compare"),
    ]
    listed = backupctl("list", "--share", folder / "share", "--json", cwd=tmp_path)
    assert [item["id"] for item in listed.json] == result["captures"]
    for words in result["try"]:
        assert backupctl(*words, cwd=tmp_path).code == 0


def test_removed_afterwards(tmp_path: Path) -> None:
    need_outside_tools()
    ended = backupctl("demo", "--remove", cwd=tmp_path)
    assert ended.code == 0, ended.err
    assert list(tmp_path.iterdir()) == []
    assert suggestions(ended.out) == []


def refused(ended: Ended, *words: str) -> None:
    assert (ended.code, ended.out) == (3, "")
    assert all(word in ended.err for word in words), ended.err


def test_nothing_of_others_is_touched(tmp_path: Path) -> None:
    need_outside_tools()
    (tmp_path / "backupctl-demo").mkdir()
    (tmp_path / "backupctl-demo" / "mine").write_text("mine")
    refused(backupctl("demo", cwd=tmp_path), "backupctl-demo is there, and not empty", "--folder")
    assert [path.name for path in (tmp_path / "backupctl-demo").iterdir()] == ["mine"]
    refused(backupctl("demo", "--folder", tmp_path / "backupctl-demo" / "mine", cwd=tmp_path), "is no folder")
    refused(backupctl("demo", "--folder", tmp_path / "not" / "there", cwd=tmp_path), "there is no folder")


def test_a_folder_that_one_may_not_write() -> None:
    need_outside_tools()
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        refused(backupctl("demo", cwd=Path(folder), as_nobody=True), "cannot be made: Permission denied", "--folder")


def test_missing_programs_are_named_with_their_packages(tmp_path: Path) -> None:
    if shutil.which("mcopy", path="/usr/sbin:/sbin"):
        pytest.skip("mcopy is in /usr/sbin here, where it is always looked for")
    ended = backupctl("demo", cwd=tmp_path, path=str(tmp_path))
    refused(ended, "needs mcopy, ", "apt install ", " mtools ", " zstd")
    assert list(tmp_path.iterdir()) == []


# awk is a virtual package, and /bin/sh comes by a diversion: dpkg names neither by its path (Debian policy 11.7, 10.4).
@pytest.mark.parametrize("program", sorted(set(PACKAGES) - {"awk", "sh"}))
def test_the_packages_are_debians(program: str) -> None:
    if not shutil.which("dpkg"):
        pytest.skip("needs dpkg")
    found = subprocess.run(["dpkg", "-S", f"*bin/{program}"], capture_output=True, text=True, check=False)
    if found.returncode:
        pytest.skip(f"{program} is not installed from a package here")
    owners = {line.split(":")[0] for line in found.stdout.splitlines() if line.endswith(f"bin/{program}")}
    assert owners == {PACKAGES[program]}
