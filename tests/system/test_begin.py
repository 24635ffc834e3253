"""`begin` at a terminal: a made-up system, a folder as the share, and mount(8) put in the place of the network."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.mounts import read_mounts
from backupctl.domain.policy import parse_policy
from backupctl.operations.capturing.capture import CaptureOptions
from backupctl.operations.capturing.capture_onto import capture_onto
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.shares.adopt import adopt
from tests.card_images import bare_ext4
from tests.formats import mntent
from tests.made_up_system import MadeUpSystem, make
from tests.program import Ended, backupctl
from tests.system.command_line import too_wide
from tests.system.loop_device import need, tool
from tests.terminal import Terminal

pytestmark = pytest.mark.system

PASSWORD = "quiet fern 7%"
SHARE = "//nas.lan/Back ups"
# Only who knows the password gets the folder. A table is believed, as far as its line for the place goes.
MOUNT = """\
#!/bin/sh
for last; do :; done
case " $* " in
*" --fstab "*)
    grep -q " $last cifs " "{fstab}" || {{ echo "mount: $last: can't find in $2." >&2; exit 1; }}
    given={root}$(sed -n 's|.* cifs credentials=\\([^,]*\\),.*|\\1|p' "{fstab}")
    echo "999 27 0:99 / $last rw - cifs //nas.lan/Back\\\\\\\\040ups rw" >>"{mountinfo}" ;;
*)  given=$(printf '%s\\n' "$*" | tr ', ' '\\n\\n' | sed -n 's/^credentials=//p') ;;
esac
grep -qxF 'password={password}' "$given" || {{ echo 'mount error(13): Permission denied' >&2; exit 32; }}
exec /bin/mount --bind "{served}" "$last"
"""


@dataclass
class Setting:
    """A board that nothing was set up on, its card, and what a server holds."""

    system: MadeUpSystem
    card: Path
    served: Path
    more: dict[str, str]
    words: tuple[str | Path, ...]

    @property
    def place(self) -> Path:
        return self.system.mounts / "nas"

    def begin(self, *words: str | Path) -> Terminal:
        return Terminal("begin", *self.words, *words, more=self.more)

    def states(self, *words: str | Path) -> dict[str, str]:
        """By a run that shows only."""
        told = backupctl(None, "begin", *self.words, *words, "--dry-run", "--json").json
        return {step["name"]: step["state"] for step in told["steps"]}

    def without_terminal(self, *words: str | Path, code: int) -> Ended:
        before = os.environ["PATH"]
        os.environ["PATH"] = self.more["PATH"]
        try:
            return backupctl(None, "begin", *self.words, *words, code=code)
        finally:
            os.environ["PATH"] = before


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Setting]:
    need("findmnt", "mount", "systemctl")
    system = make(tmp_path)
    (system.root / "run/systemd/system").mkdir(parents=True)  # sd_booted(3)
    for name in ("served", "bin", "card"):
        (tmp_path / name).mkdir()
    mount, served = tmp_path / "bin/mount", tmp_path / "served"
    mount.write_text(
        MOUNT.format(fstab=system.fstab, root=system.root, mountinfo=system.mountinfo, password=PASSWORD, served=served)
    )
    mount.chmod(0o755)
    card = bare_ext4(tmp_path / "card").path
    more = {"PATH": f"{mount.parent}:{os.environ['PATH']}"}
    # A folder that stands for a network share is none, as far as the kernel can tell.
    made = Setting(system, card, served, more, ("--root", system.root, "--same-machine", "--source", card))
    try:
        yield made
    finally:
        # Not by os.path.ismount, to which a folder bound elsewhere in its own file system is none.
        while any(mount.mount_point == str(made.place) for mount in read_mounts()):
            tool("umount", made.place)


def mounted_by(terminal: Terminal, setting: Setting, password: str = PASSWORD) -> None:
    terminal.answer("Which share", SHARE)
    terminal.answer("Where to mount it", str(setting.place))
    terminal.answer("account there", "mill")
    terminal.answer("Password of mill on nas.lan", password)


def telling(folder: Path) -> Path:
    """A policy that tells by a program, which keeps what it is told."""
    policy = folder / "mine.toml"
    told = folder / "told"
    policy.write_text(
        f'[pace]\nrate = "4 MB"\n[schedule]\nwhen = "Sun 04:11"\n[notify]\ncommand = ["sh", "-c", "cat >>{told}"]\n'
    )
    return policy


def test_from_nothing_killed_after_each_step(board: Setting, tmp_path: Path) -> None:
    policy = telling(tmp_path)
    before = board.system.everything()
    assert set(board.states().values()) == {"to do"}
    first = board.begin()
    mounted_by(first, board, password="not so quiet")
    assert "Are the account and its password right" in " ".join(first.answer("again?", "again").split())
    mounted_by(first, board)
    shown = first.read_to("Write this?")
    assert board.system.everything() == before
    first.kill()

    second = board.begin()
    mounted_by(second, board)
    shown = second.answer("Write this?", "yes")
    second.read_to("Name of this board")
    second.kill()
    entry = mntent.read(board.system.fstab)[-1]
    assert (entry.source, entry.mount_point) == (SHARE, str(board.place))
    assert f"credentials=/etc/backupctl/{credentials(board).name}" in shown
    assert credentials(board).read_text() == f"username=mill\npassword={PASSWORD}\n"
    assert list(board.served.iterdir()) == []

    # It is mounted, and no share of this program yet: only somebody can know whether it is to be one.
    third = board.begin()
    third.answer("Use this one?", "yes")
    third.answer("Name of this board", "mill")
    assert str(board.place / "boards/mill") in third.read_to("Make it?")
    assert list(board.served.iterdir()) == []
    third.answer("", "yes")
    third.read_to("Which policy")
    third.kill()
    assert (board.served / "boards/mill/shelf.json").exists()

    # No capture says yet that this shelf is this machine's, but no other one waits for a first capture.
    fourth = board.begin("--board", "mill")
    assert "Wed,Sun 03:41" in fourth.answer("Which policy", str(policy))
    assert "Mon " not in fourth.answer("Take mine?", "yes")
    ahead = fourth.read_to("Take it now?")
    fourth.kill()
    assert re.search(r"to read +1\d\.\d MiB", ahead)
    assert "takes" in ahead

    fifth = board.begin("--board", "mill", "--policy", policy)
    fifth.answer("Take it now?", "yes")
    fifth.read_to("reading the card")
    fifth.interrupt()
    assert fifth.end() == 130
    assert "To go on:" in fifth.seen
    assert board.states("--board", "mill")["capture"] == "to do"
    again = board.begin("--board", "mill", "--policy", policy)
    again.answer("Take it now?", "yes")
    again.read_to("Install it?")
    again.kill()
    assert len(list((board.served / "boards/mill/captures").glob("*/record.json"))) == 1
    assert list(board.system.units.iterdir()) == []

    sixth = board.begin("--policy", policy)
    assert "backupctl-night.service" in sixth.answer("Install it?", "texts")
    assert "OnCalendar=Sun 04:11" in sixth.answer("Install it?", "yes")
    sixth.read_to("Send a test message by command?")
    sixth.kill()

    # Share, name and policy are those of the timer by now.
    assert list(board.states().values()) == ["done"] * 5 + ["to do"] * 3
    last = board.begin()
    last.answer("Send a test message", "yes")
    last.answer("Make a drill now?", "skip")
    last.answer("Write it", "yes")
    assert (last.end(), last.typed) == (4, 3)
    assert "mill" in (board.system.root / "var/lib/backupctl/sheet.html").read_text()
    assert "mill: This is a test." in (tmp_path / "told").read_text()
    seen = "".join(run.seen for run in (first, second, third, fourth, fifth, again, sixth, last))
    assert PASSWORD not in seen
    assert "not so quiet" not in seen
    # But for what is there to be copied, paths of this test, and lines that move.
    long = ("credentials", str(tmp_path), "\x1b")
    wide = [line for line in too_wide(seen) if not line.startswith("  ") and not any(word in line for word in long)]
    assert wide == []


def credentials(board: Setting) -> Path:
    (found,) = (board.system.root / "etc/backupctl").glob("*.credentials")
    return found


def test_like_another_board_in_four_questions(board: Setting, tmp_path: Path) -> None:
    a_board_of_another_machine(board.served, tmp_path, board.card)
    run = board.begin("--like", "greenhouse", "--mount", board.place, "--board", "mill")
    run.answer("Which share", SHARE)
    run.answer("account there", "mill")
    run.answer("Password of", PASSWORD)
    shown = run.answer("Do all this?", "yes")
    assert run.end() == 4, run.seen  # nobody is told anything
    assert run.typed <= 4
    file = board.system.root / "etc/backupctl/policies/standard-of-greenhouse.toml"
    for text in (str(file), "/etc/fstab", "boards/mill/", "backupctl-night.timer", "[notify]"):
        assert text in shown
    # Its days and its time, and nothing that root would run.
    assert "rm -rf" not in file.read_text() + run.seen
    assert "not taken over" in " ".join(shown.split())
    taken = parse_policy("x", file.read_text())
    assert (taken.schedule.when, taken.retention.daily, taken.hooks.before) == ("Sun 05:09", 21, ())
    assert list(board.states().values()) == ["done"] * 5 + ["to do", "done", "done"]
    assert "OnCalendar=Sun 05:09\n" in (board.system.units / "backupctl-night.timer").read_text()
    (record,) = (board.served / "boards/mill/captures").glob("*/record.json")
    assert json.loads(record.read_text())["policy"]["retention"]["daily"] == 21
    again = board.begin("--like", "greenhouse")
    again.answer("Do all this?", "yes")
    assert (again.end(), again.typed) == (4, 1)


def a_board_of_another_machine(share: Path, folder: Path, card: Path) -> None:
    text = (
        '[schedule]\nwhen = "Sun 05:09"\n[retention]\ndaily = 21\n[hooks]\nbefore = ["sh", "-c", "rm -rf /nowhere"]\n'
    )
    policy = parse_policy("standard", text)
    facts = dataclasses.replace(this_machine(folder), machine="c" * 32)
    adopt(share, "greenhouse", True, policy, facts)
    options = CaptureOptions(card, policy)
    capture_onto(share, "greenhouse", options, facts, Quiet(), Stop())


def test_another_board_has_the_name(board: Setting, tmp_path: Path) -> None:
    a_board_of_another_machine(board.served, tmp_path, board.card)
    run = board.begin("--share", board.served)
    assert "another machine's" in run.answer("Name of this board", "greenhouse")
    assert "--new-board" in run.answer("Is this greenhouse?", "other")
    run.answer("Name of this board", "mill")
    run.answer("Make it?", "yes")
    run.answer("Which policy", "kiosk")
    run.answer("Take kiosk?", "quit")
    assert run.end() == 3
    going_on = run.seen.partition("To go on:")[2].replace("\\\n", "").split()
    assert going_on[-2:] == ["--board", "mill"]


def test_a_share_that_is_there_already(board: Setting) -> None:
    """Mounted by hand, as far as this machine knows; and the card is not there at first."""
    board.place.mkdir()
    tool("mount", "--bind", board.served, board.place)
    board.system.mount(SHARE, board.place)
    missing = board.card.with_name("card.later")
    run = Terminal("begin", *board.words[:-1], missing, more=board.more)
    found = run.answer("Use this one?", "yes")
    # Without what breaks lines, and perhaps the path.
    assert f"{SHARE}, at {board.place} (mounted)".replace(" ", "") in "".join(found.split())
    assert "mounted by hand" in " ".join(found.split())
    run.answer("Name of this board", "mill")
    run.answer("Make it?", "yes")
    run.answer("Which policy", "")
    run.answer("Take standard?", "yes")
    refused = run.answer("again?", "again")
    assert "refuse" in refused
    assert "backupctl cards" in " ".join(refused.split())
    run.read_to("again?")
    shutil.copyfile(board.card, missing)
    run.answer("", "again")
    run.answer("Take it now?", "skip")
    run.answer("Install it?", "skip")
    assert run.end() == 4
    assert "The first night will take it" in run.seen
    assert list(board.states("--board", "mill").values()) == ["done"] * 2 + ["to do"] * 6


def test_stopped_at_a_question(board: Setting) -> None:
    run = board.begin()
    run.answer("Which share", SHARE)
    run.answer("Where to mount it", str(board.place))
    run.answer("account there", "mill")
    run.read_to("Password of mill")
    run.interrupt()
    assert run.end() == 130
    assert "What is done stays done. To go on:" in run.seen
    assert "begin \\\n    --root" in run.seen
    assert "Traceback" not in run.seen


def test_without_a_terminal(board: Setting, tmp_path: Path) -> None:
    assert "--dry-run" in board.without_terminal(code=2).err
    assert "--server is missing" in board.without_terminal("--yes", code=2).err
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    words = ("--server", "nas.lan", "--path", "Back ups", "--mount", board.place, "--user", "mill")
    assert "which password?" in board.without_terminal("--yes", *words, code=2).err
    wrong = tmp_path / "wrong"
    wrong.write_text("wrong")
    before = board.system.everything()
    assert "error(13)" in board.without_terminal("--yes", *words, "--password-file", wrong, code=3).err
    assert board.system.everything() == before
    options = (*words, "--password-file", secret, "--board", "mill", "--policy", telling(tmp_path))
    ended = board.without_terminal("--yes", "--json", *options, code=0)
    told: Any = ended.json
    assert [step["state"] for step in told["steps"]] == ["done"] * 5 + ["to do", "done", "done"]
    assert (told["board"], told["share"]) == ("mill", str(board.place))
    assert PASSWORD not in ended.out + ended.err
