"""`begin` on a board that nothing was set up on: from the name of a share to a timer, over SMB and under systemd."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.rig.rig import SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

MOUNT = "/mnt/by begin"
PASSWORD = "quiet-fern"  # the recipe's
BOARD = "pantry"
SKIPPED = ["Send a test message", "skip"]
# The running card; but what its root holds is left out, which would take a minute to read.
POLICY = """\
[image]
leave_out = [2]
[schedule]
when = "Sun 04:11"
[notify]
command = ["sh", "-c", "cat >>/run/told"]
"""


@pytest.fixture
def fresh(adopted: Rig) -> Iterator[Rig]:
    """Without the recipe's own mount; the share is there already."""
    rig = adopted
    rig.board.send(POLICY.encode(), "/etc/pantry.toml")
    known = "/var/lib/backupctl/shares.json"
    rig.shell(
        f"cp -a /etc/fstab /root/fstab; systemctl stop 'mnt-net\\x20share.automount'; umount '{SHARE}' 2>/dev/null; "
        f"sed -i /cifs/d /etc/fstab; systemctl daemon-reload; [ ! -e {known} ] || mv {known} /root/shares.json"
    )
    try:
        yield rig
    finally:
        rig.board.run(
            f"backupctl timer remove --yes; systemctl stop 'mnt-by\\x20begin.automount'; umount '{MOUNT}'; "
            f"cp -a /root/fstab /etc/fstab; systemctl daemon-reload; systemctl start 'mnt-net\\x20share.automount'; "
            f"[ ! -e /root/shares.json ] || mv /root/shares.json {known}",
            120,
        )


def at_a_terminal(words: list[str], answers: list[list[str]]) -> Any:
    """Runs in the board: how a command ended, and what it showed; after each text that comes, a line is typed."""
    import os
    import pty
    import select
    import time

    process, terminal = pty.fork()
    if process == 0:
        os.execvp(words[0], words)
    seen, read, until = b"", 0, time.monotonic() + 300
    while time.monotonic() < until:
        if select.select([terminal], [], [], 1)[0]:
            try:
                seen += os.read(terminal, 65536)
            except OSError:  # nobody has the other end open any more
                break
        at = seen.find(answers[0][0].encode(), read) if answers else -1
        if at >= 0:
            time.sleep(0.5)  # until the echo is off, where it is to be off
            read = at + len(answers[0][0])
            os.write(terminal, f"{answers.pop(0)[1]}\n".encode())
    else:
        os.kill(process, 9)
    code = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
    return [code, seen.decode(errors="replace").replace("\r\n", "\n"), answers]


def test_from_nothing_to_a_timer(fresh: Rig) -> None:
    rig = fresh
    answers = [
        ["Which share", "//127.0.0.1/Back up"],
        ["Where to mount it", MOUNT],
        ["account there", "keeper"],
        ["Password of keeper", PASSWORD],
        ["Try this step again?", "again"],  # there is no share of that name
        ["Which share", "//127.0.0.1/Back ups"],
        ["Where to mount it", MOUNT],
        ["account there", "keeper"],
        ["Password of keeper", "quiet-moss"],
        ["Try this step again?", "again"],
        ["Which share", ""],
        ["Where to mount it", ""],
        ["account there", ""],
        ["Password of keeper", PASSWORD],
        ["Write this?", "yes"],
        ["Name of this board", BOARD],
        ["Make it?", "yes"],
        ["Which policy", "/etc/pantry.toml"],
        ["Take pantry?", "yes"],
        ["Take it now?", "yes"],
        ["Install it?", "yes"],
        ["Send a test message", "yes"],
        ["Make a drill now?", "skip"],  # without what the root holds, no board would boot from it
        ["Write it", "yes"],
    ]
    code, seen, left = rig.inside(at_a_terminal, ["backupctl", "begin"], answers, seconds=400)
    assert (code, left) == (4, []), seen
    assert PASSWORD not in seen
    assert "quiet-moss" not in seen
    words = " ".join(seen.split())
    assert "Is the share's name right" in words
    assert "Are the account and its password right" in words

    # By what the system itself says.
    assert (
        rig.shell(f"findmnt --noheadings --raw --types cifs -o SOURCE '{MOUNT}'").strip() == r"//127.0.0.1/Back\x20ups"
    )
    assert rig.board.run("findmnt --verify").code == 0
    for timer in ("backupctl-night.timer", "backupctl-retry.timer"):
        assert rig.shell(f"systemctl is-enabled {timer}; systemctl is-active {timer}").split() == ["enabled", "active"]
    assert "This is a test" in rig.shell("cat /run/told")
    assert BOARD in rig.shell("cat /var/lib/backupctl/sheet.html")
    record = json.loads(rig.shell(f"cat '{SERVED}/boards/{BOARD}'/captures/*/record.json"))
    assert record["frozen_seconds"] > 0
    told = rig.backupctl("begin", "--dry-run", "--json", share="").json
    assert [step["state"] for step in told["steps"]] == ["done"] * 5 + ["to do", "to do", "done"]
    assert (told["share"], told["board"], told["policy"]) == (MOUNT, BOARD, "/etc/pantry.toml")
    again = rig.inside(at_a_terminal, ["backupctl", "begin"], [SKIPPED, ["Make a drill", "skip"]], seconds=200)
    assert (again[0], again[2]) == (4, []), again[1]

    # A share that it has not joined, though its shelf is there: it would not notice another one in its place.
    rig.shell("rm /var/lib/backupctl/shares.json")
    answers = [["Name of this board [pantry]", ""], ["Make it?", "yes"], SKIPPED, ["Make a drill", "skip"]]
    joined = rig.inside(at_a_terminal, ["backupctl", "begin"], answers, seconds=200)
    assert (joined[0], joined[2]) == (4, []), joined[1]
    assert MOUNT in rig.shell("cat /var/lib/backupctl/shares.json")
