"""Nights under the board's own systemd: its clock is moved, the timer goes off, and the capture lands on the share."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

import pytest

from tests.rig.rig import SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "porch"
NIGHT, RETRY, NOTIFY = "backupctl-night.service", "backupctl-retry.service", "backupctl-notify.service"
MOST_SECONDS = 240
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
        rig.board.run("rm -f /run/hold; systemctl unmask --runtime smbd; backupctl timer remove --yes")
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


def captures(rig: Rig) -> list[Any]:
    found = rig.shell(f"cat '{SERVED}'/boards/{BOARD}/captures/*/record.json 2>/dev/null || true")
    decoder, records = json.JSONDecoder(), []
    while found.strip():
        record, end = decoder.raw_decode(found.lstrip())
        records.append(record)
        found = found.lstrip()[end:]
    return records


def test_nights(board: Rig) -> None:
    rig = board
    rig.shell("date -s '2031-05-04 20:00:00'")
    rig.backupctl("timer", "install", "--board", BOARD, "--policy", "/etc/nightly.toml", "--yes")
    assert state(rig, NIGHT)["ActiveState"] == "inactive"

    move_to(rig, 5)
    wait_for(rig, NIGHT, "activating", "active", "failed")
    ended = wait_for(rig, NIGHT, "inactive", "failed")
    assert (ended["Result"], ended["ExecMainStatus"]) == ("success", "0"), rig.shell(
        f"journalctl --no-pager -u {NIGHT}"
    )
    (record,) = captures(rig)
    # In the view of a confined service as well, it is the card in use, its writes are followed, and it is frozen.
    assert (record["state"], record["warnings"]) == ("good", [])
    assert record["frozen_seconds"] > 0
    (shown,) = rig.backupctl("timer", "show", "--json").json["timers"]
    assert (shown["outdated"], shown["enabled"], shown["service"]["Result"]) == (None, True, "success")

    # It has its capture, so there is nothing to try again.
    rig.shell(f"systemctl start {RETRY}")
    assert state(rig, NIGHT)["InvocationID"] == ended["InvocationID"]
    told = wait_for(rig, NOTIFY, "inactive", "failed")

    # For the next one, the server is away.
    rig.shell(f"umount '{SHARE}' && systemctl mask --quiet --runtime --now smbd")
    move_to(rig, 6)
    fired = wait_for(rig, NOTIFY, "inactive", "failed", after=told)
    assert "could not begin" in " ".join(rig.backupctl("timer", "show").out.split())
    rig.shell("systemctl unmask --quiet --runtime smbd")

    # It is tried again, and killed in the middle of it.
    rig.shell(f"touch /run/hold && systemctl start {RETRY}")
    rig.shell("for n in $(seq 600); do pgrep -f 'while \\[ -e /run/hold' >/dev/null && exit 0; sleep 0.1; done; exit 1")
    rig.shell(f"systemctl kill --signal=KILL {NIGHT}")
    assert wait_for(rig, NIGHT, "failed")["Result"] == "signal"
    wait_for(rig, NOTIFY, "inactive", "failed", after=fired)
    rig.shell("rm /run/hold")
    assert len(captures(rig)) == 1

    rig.shell(f"systemctl start {RETRY}")
    wait_for(rig, NIGHT, "activating", "active")
    assert wait_for(rig, NIGHT, "inactive", "failed")["Result"] == "success"
    assert len(captures(rig)) == 2

    rig.backupctl("timer", "remove", "--yes")
    assert rig.shell("systemctl --failed --no-legend; ls /etc/systemd/system | grep backupctl || true") == ""
