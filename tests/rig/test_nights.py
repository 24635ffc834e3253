"""Nights under the board's own systemd: its clock is moved, the timer goes off, and the capture lands on the share."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import pytest

from tests.rig.nights import (
    NIGHT,
    NOTIFY,
    POLICY_FILE,
    RETRY,
    journal,
    move_to_night,
    send_policy,
    state,
    wait_for,
)
from tests.rig.rig import MOVE_SERVER, SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "porch"


@pytest.fixture
def at_night(adopted: Rig) -> Iterator[Rig]:
    """Ready for a timer, and its clock put right afterwards."""
    rig = adopted
    send_policy(rig.board)
    try:
        yield rig
    finally:
        rig.board.run(f"rm -f /run/hold; {MOVE_SERVER.format(4450, 445)}; backupctl timer remove --yes")
        rig.board.run(f"systemctl stop {NIGHT}; systemctl reset-failed; date -s @{int(time.time())}")


def records(rig: Rig) -> list[str]:
    return rig.shell(f"cd '{SERVED}/boards/{BOARD}/captures' 2>/dev/null && ls -d */record.json || true").split()


def test_a_night_that_comes_to_nothing_twice(at_night: Rig) -> None:
    rig, board = at_night, at_night.board
    rig.shell("date -s '2031-05-04 20:00:00'")
    rig.backupctl("timer", "install", "--board", BOARD, "--policy", POLICY_FILE, "--yes")
    assert state(board, NIGHT)["ActiveState"] == "inactive"

    # The timer goes off, and the server cannot be reached.
    rig.shell(f"umount '{SHARE}' && {MOVE_SERVER.format(445, 4450)}")
    told = state(board, NOTIFY)  # before the clock is put on: without its mount, the night fails at once
    move_to_night(board, 5)
    told = wait_for(board, NOTIFY, "inactive", "failed", after=told)
    assert "could not begin" in " ".join(rig.backupctl("timer", "show").out.split())

    # It is tried again, and killed in the middle of it.
    rig.shell(f"{MOVE_SERVER.format(4450, 445)} && touch /run/hold && systemctl start {RETRY}")
    rig.shell(
        "for n in $(seq 900); do pgrep -f 'while \\[ -e /run/hold' >/dev/null && exit 0; sleep 0.1; done; exit 1", 120
    )
    told = wait_for(board, NOTIFY, "inactive", "failed", after=told)
    rig.shell(f"systemctl kill --signal=KILL {NIGHT}")
    assert wait_for(board, NIGHT, "failed")["Result"] == "signal"
    told = wait_for(board, NOTIFY, "inactive", "failed", after=told)
    assert (told["Result"], records(rig)) == ("success", [])

    # And once more, to the end.
    rig.shell(f"rm /run/hold && systemctl start {RETRY}")
    wait_for(board, NIGHT, "activating", "active")
    ended = wait_for(board, NIGHT, "inactive", "failed")
    assert (ended["Result"], ended["ExecMainStatus"]) == ("success", "0"), journal(board, NIGHT)
    (name,) = records(rig)
    record = json.loads(rig.shell(f"cat '{SERVED}/boards/{BOARD}/captures/{name}'"))
    # In the view of a confined service as well, it is the card in use, its writes are followed, and it is frozen.
    assert (record["state"], record["warnings"]) == ("good", [])
    assert record["frozen_seconds"] > 0
    (shown,) = rig.backupctl("timer", "show", "--json").json["timers"]
    assert (shown["outdated"], shown["enabled"], shown["service"]["Result"]) == (None, True, "success")

    # It has its capture: there is nothing to try again.
    rig.shell(f"systemctl start {RETRY}")
    assert state(board, NIGHT)["InvocationID"] == ended["InvocationID"]
    rig.backupctl("timer", "remove", "--yes")
    assert rig.shell("systemctl --failed --no-legend; ls /etc/systemd/system | grep backupctl || true") == ""
