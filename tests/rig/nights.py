"""Nights under a board's own systemd: what they need in the board, and how they are waited for."""

from __future__ import annotations

import time

from tests.rig.board import Board

NIGHT, RETRY, NOTIFY = "backupctl-night.service", "backupctl-retry.service", "backupctl-notify.service"
POLICY_FILE = "/etc/nightly.toml"
MOST_SECONDS = 240
# The running card, frozen and followed as ever; but what its root holds is left out, which would take a minute to read.
# A drill would find that no board boots from that.
_POLICY = """\
[image]
leave_out = [2]
[night]
drill = "never"
[hooks]
before = ["sh", "-c", "while [ -e /run/hold ]; do sleep 0.1; done"]
[schedule]
when = "*-*-* 03:17"
random_delay = 0
"""


def send_policy(board: Board) -> None:
    """The policy of these nights."""
    board.send(_POLICY.encode(), POLICY_FILE)


def state(board: Board, unit: str) -> dict[str, str]:
    wanted = "ActiveState,SubState,Result,ExecMainStatus,InvocationID"
    return dict(line.split("=", 1) for line in board.run(f"systemctl show {unit} -p {wanted}").out.splitlines())


def wait_for(board: Board, unit: str, *states: str, after: dict[str, str] | None = None) -> dict[str, str]:
    """Its state, once that is one of `states`; of a later run than `after`."""
    until = time.monotonic() + MOST_SECONDS
    before = after["InvocationID"] if after else None
    while (found := state(board, unit))["ActiveState"] not in states or found["InvocationID"] == before:
        assert time.monotonic() < until, (found, journal(board, unit))
        time.sleep(0.3)
    return found


def journal(board: Board, unit: str) -> str:
    return board.run(f"journalctl --no-pager -u {unit}").out


def move_to_night(board: Board, day: int) -> None:
    """A minute and more past its time: timers may be a minute late (systemd.timer(5), AccuracySec=)."""
    assert board.run(f"date -s '2031-05-{day:02} 03:18:30'").code == 0
