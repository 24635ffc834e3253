"""Nights under the board's own systemd: its clock is moved, the timer goes off, and the capture lands on the share."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import pytest

from tests.rig.rig import SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "porch"
NIGHT, RETRY, NOTIFY = "backupctl-night.service", "backupctl-retry.service", "backupctl-notify.service"
MOST_SECONDS = 240
MOVE_SERVER = "sed -i 's/smb ports = {}/smb ports = {}/' /etc/samba/smb.conf && systemctl restart smbd"
# The running card, frozen and followed as ever; but what its root holds is left out, which would take a minute to read.
POLICY = """\
[image]
leave_out = [2]
[hooks]
before = ["sh", "-c", "while [ -e /run/hold ]; do sleep 0.1; done"]
[schedule]
when = "*-*-* 03:17"
random_delay = 0
"""
# As pip(1) installs it. The rig's own is called by a module's name, which a service could not find.
PROGRAM = """\
#!/usr/bin/python3
import sys
sys.path[:0] = ["/opt/backupctl/program", "/opt/backupctl/lib"]
from backupctl.cli.main import main
main()
"""


@pytest.fixture
def board(adopted: Rig) -> Iterator[Rig]:
    """With a program that can be installed, and its clock put right afterwards."""
    rig = adopted
    before = rig.board.fetch("/usr/local/bin/backupctl")
    rig.board.send(PROGRAM.encode(), "/usr/local/bin/backupctl")
    rig.board.send(POLICY.encode(), "/etc/nightly.toml")
    try:
        yield rig
    finally:
        rig.board.run(f"rm -f /run/hold; {MOVE_SERVER.format(4450, 445)}; backupctl timer remove --yes")
        rig.board.run(f"systemctl stop {NIGHT}; systemctl reset-failed; date -s @{int(time.time())}")
        rig.board.send(before, "/usr/local/bin/backupctl")


def state(rig: Rig, unit: str) -> dict[str, str]:
    wanted = "ActiveState,SubState,Result,ExecMainStatus,InvocationID"
    return dict(line.split("=", 1) for line in rig.shell(f"systemctl show {unit} -p {wanted}").splitlines())


def wait_for(rig: Rig, unit: str, *states: str, after: dict[str, str] | None = None) -> dict[str, str]:
    """Its state, once that is one of `states`; of a later run than `after`."""
    until = time.monotonic() + MOST_SECONDS
    before = after["InvocationID"] if after else None
    while (found := state(rig, unit))["ActiveState"] not in states or found["InvocationID"] == before:
        assert time.monotonic() < until, (found, rig.shell(f"journalctl --no-pager -u {unit}"))
        time.sleep(0.3)
    return found


def move_to(rig: Rig, day: int) -> None:
    """A minute and more past the time of the night: timers may be a minute late (systemd.timer(5), AccuracySec=)."""
    rig.shell(f"date -s '2031-05-{day} 03:18:30'")


def records(rig: Rig) -> list[str]:
    return rig.shell(f"cd '{SERVED}/boards/{BOARD}/captures' 2>/dev/null && ls -d */record.json || true").split()


def test_a_night_that_comes_to_nothing_twice(board: Rig) -> None:
    rig = board
    rig.shell("date -s '2031-05-04 20:00:00'")
    rig.backupctl("timer", "install", "--board", BOARD, "--policy", "/etc/nightly.toml", "--yes")
    assert state(rig, NIGHT)["ActiveState"] == "inactive"

    # The timer goes off, and the server cannot be reached.
    rig.shell(f"umount '{SHARE}' && {MOVE_SERVER.format(445, 4450)}")
    move_to(rig, 5)
    told = wait_for(rig, NOTIFY, "inactive", "failed", after=state(rig, NOTIFY))
    assert "could not begin" in " ".join(rig.backupctl("timer", "show").out.split())

    # It is tried again, and killed in the middle of it.
    rig.shell(f"{MOVE_SERVER.format(4450, 445)} && touch /run/hold && systemctl start {RETRY}", 180)
    rig.shell(
        "for n in $(seq 900); do pgrep -f 'while \\[ -e /run/hold' >/dev/null && exit 0; sleep 0.1; done; exit 1", 120
    )
    told = wait_for(rig, NOTIFY, "inactive", "failed", after=told)
    rig.shell(f"systemctl kill --signal=KILL {NIGHT}")
    assert wait_for(rig, NIGHT, "failed")["Result"] == "signal"
    told = wait_for(rig, NOTIFY, "inactive", "failed", after=told)
    assert (told["Result"], records(rig)) == ("success", [])

    # And once more, to the end.
    rig.shell(f"rm /run/hold && systemctl start {RETRY}")
    wait_for(rig, NIGHT, "activating", "active")
    ended = wait_for(rig, NIGHT, "inactive", "failed")
    assert (ended["Result"], ended["ExecMainStatus"]) == ("success", "0"), rig.shell(
        f"journalctl --no-pager -u {NIGHT}"
    )
    (name,) = records(rig)
    record = json.loads(rig.shell(f"cat '{SERVED}/boards/{BOARD}/captures/{name}'"))
    # In the view of a confined service as well, it is the card in use, its writes are followed, and it is frozen.
    assert (record["state"], record["warnings"]) == ("good", [])
    assert record["frozen_seconds"] > 0
    (shown,) = rig.backupctl("timer", "show", "--json").json["timers"]
    assert (shown["outdated"], shown["enabled"], shown["service"]["Result"]) == (None, True, "success")

    # It has its capture: there is nothing to try again.
    rig.shell(f"systemctl start {RETRY}")
    assert state(rig, NIGHT)["InvocationID"] == ended["InvocationID"]
    rig.backupctl("timer", "remove", "--yes")
    assert rig.shell("systemctl --failed --no-legend; ls /etc/systemd/system | grep backupctl || true") == ""
