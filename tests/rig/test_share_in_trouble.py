"""An SMB share whose server hangs, is away, lets nobody write, serves another share, or has another date: each is told
of in its own words, in time; nothing is lost by it, and the next run succeeds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.rig.rig import SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "cellar"  # a shelf of its own
CARD = "/var/tmp/trouble.img"
WORDS = ("--board", BOARD, "--source", CARD)


@pytest.fixture(scope="module")
def ready(adopted: Rig) -> Iterator[Rig]:
    """A card file of noise, and one capture of it."""
    adopted.shell(f"head -c 24000000 /dev/urandom >{CARD}")
    adopted.capture(CARD, board=BOARD)
    yield adopted
    adopted.shell(f"rm {CARD}")


def beneath_the_mount(rig: Rig) -> str:
    """What is in the folder that the share is mounted on."""
    return rig.shell(
        f"mkdir -p /run/beneath && mount --bind / /run/beneath && ls -A '/run/beneath{SHARE}'; umount /run/beneath"
    )


def test_a_server_that_hangs(ready: Rig) -> None:
    def look(share: str, board: str, source: str) -> list[Any]:
        import time
        from pathlib import Path

        from backupctl.domain.policy import Policy
        from backupctl.operations.capturing.subject import Subject
        from backupctl.operations.facts import this_machine
        from backupctl.operations.preflight.run import preflight
        from backupctl.operations.progress import Quiet

        began = time.monotonic()
        facts = this_machine(Path("/var/lib/backupctl"))
        subject = Subject(Path(source))
        checks = preflight(Path(share), board, subject, Policy(), facts, Quiet(), answer_seconds=3)["checks"]
        return [[check["result"], check["detail"]] for check in checks] + [time.monotonic() - began]

    with ready.server_hung():
        *checks, seconds = ready.inside(look, SHARE, BOARD, CARD)
    assert checks == [["refuse", f"{SHARE} did not answer within 3 s"]]
    assert seconds < 20
    assert beneath_the_mount(ready) == ""


def test_a_server_that_is_away(ready: Rig) -> None:
    with ready.server_away():
        for command in ("preflight", "night"):
            said = ready.backupctl(command, *WORDS, codes=(3,))
            assert "mount" in said.out + said.err
            assert "verify" not in said.out or "verify not run" in said.out
    assert beneath_the_mount(ready) == ""
    assert ready.backupctl("night", *WORDS, "--json", codes=(4,)).json["capture"]["state"] == "good"


def test_two_clients_try_it_at_once(ready: Rig) -> None:
    def both(one: str, other: str, board: str) -> list[float]:
        from concurrent.futures import ThreadPoolExecutor
        from pathlib import Path

        from backupctl.share.probe import probe
        from backupctl.share.storage import FolderStorage

        with ThreadPoolExecutor() as pool:
            shelves = [FolderStorage(Path(share, "boards", board)) for share in (one, other)]
            return [found.ahead for found in pool.map(probe, shelves)]

    with ready.mounted("Back ups", "other") as other:
        # Their server's clock is that of the same machine.
        assert all(abs(ahead) < 5 for ahead in ready.inside(both, SHARE, other, BOARD))
    # A file that was closed a moment ago is still open at the server, and goes once it is not (mount.cifs(8),
    # closetimeo).
    probes = f"'{SERVED}/boards/{BOARD}/probe'"
    ready.shell(f'for n in $(seq 50); do [ -z "$(ls {probes})" ] && exit 0; sleep 0.2; done; exit 1')


def test_a_share_that_is_mounted_read_only(ready: Rig) -> None:
    with ready.mounted("Back ups", "readonly", "ro") as path:
        said = ready.backupctl("preflight", *WORDS, share=path, codes=(3,))
    assert "it is read-only" in " ".join(said.out.split())


def test_an_account_that_may_not_write(ready: Rig) -> None:
    probes = f"'{SERVED}/boards/{BOARD}/probe'"
    ready.shell(f"chmod 555 {probes}")
    try:
        said = ready.backupctl("capture", *WORDS, codes=(3,))
    finally:
        ready.shell(f"chmod 755 {probes}")
    assert "write probe: this user may not write to the share" in said.err


def test_another_share_in_its_place(ready: Rig) -> None:
    mark = f"{SERVED}/share.json"
    ready.shell(
        "mkdir -p /srv/other && backupctl share adopt /srv/other --same-machine --board x && "
        f"mv '{mark}' /srv/ours.json && cp /srv/other/share.json '{mark}' && chmod 644 '{mark}' && sleep 2"
    )
    try:
        said = ready.backupctl("night", *WORDS, codes=(3,))
    finally:
        ready.shell(f"mv /srv/ours.json '{mark}'; sleep 2")
    assert f"{SHARE} is share " in said.err
    assert ", and was share " in said.err


# The program as it is where the machine's clock is a day ahead of its server's, whose kernel is the same here.
A_DAY_AHEAD = """\
import datetime, sys, time
sys.path[:0] = ["/opt/backupctl/program", "/opt/backupctl/lib"]
DAY, now = datetime.timedelta(days=1), time.time
class Ahead(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) + DAY
datetime.datetime, time.time = Ahead, lambda: now() + DAY.total_seconds()
from backupctl.cli.main import main
main()
"""
SYNCHRONISED = "/run/systemd/timesync"  # as systemd-timesyncd(8) has it under FILES


def test_a_server_whose_clock_is_a_day_off(ready: Rig) -> None:
    ready.board.send(A_DAY_AHEAD.encode(), "/run/ahead.py")
    words = ("--board", "meadow", "--source", CARD, "--json")

    def ahead(command: str) -> Any:
        ended = ready.board.run(f"BACKUPCTL_SHARE='{SHARE}' python3 /run/ahead.py {command} {' '.join(words)}", 240)
        assert ended.code == 4, ended
        return ended.json

    checks = {check["name"]: check for check in ahead("preflight")["checks"]}
    assert "and no time service is known that could tell which is right" in checks["clock"]["detail"]
    night = ahead("night")
    assert "the clock is not trusted" in " ".join(night["capture"]["warnings"])
    assert "the clock is not trusted" in night["thin"]["held"]
    # The next one, when it is put right. (Noise as a source is a warning.)
    night = ready.backupctl("night", *words, codes=(4,)).json
    assert "clock" not in " ".join(night["capture"]["warnings"])
    assert night["thin"]["held"] is None
    # A time service vouches for the board's clock, so it is the server's that is wrong.
    ready.shell(f"mkdir {SYNCHRONISED} && touch {SYNCHRONISED}/synchronized")
    try:
        night = ahead("night")
    finally:
        ready.shell(f"rm -r {SYNCHRONISED}")
    assert "server's clock: 24 hours behind this machine's" in night["capture"]["warnings"]
    assert night["thin"]["held"] is None


WORDS_OF_CODES = {1: "the share failed", 8: "no progress for"}


@pytest.mark.parametrize(
    ("how", "signal", "stall", "codes"),
    [
        ("soft", "STOP", 5, (8,)),
        ("hard", "STOP", 5, (8,)),
        # Each call takes its ten seconds to fail.
        pytest.param("soft", "KILL", 60, (1, 8), marks=pytest.mark.long),
    ],
)
def test_a_server_that_fails_while_a_capture_writes(
    ready: Rig, how: str, signal: str, stall: int, codes: tuple[int, ...]
) -> None:
    def capture(share: str, board: str, source: str, signal: str, stall: int) -> list[Any]:
        import contextlib
        import io
        import subprocess
        import time
        from pathlib import Path

        from backupctl.cli import supervisor
        from backupctl.cli.places import state_folder
        from backupctl.cli.view import View
        from backupctl.domain.policy import Policy, StorePolicy
        from backupctl.operations.capturing.capture import CaptureOptions
        from backupctl.operations.capturing.capture_onto import capture_onto
        from backupctl.operations.facts import this_machine

        def task(reporter: Any, stop: Any) -> Any:
            step = reporter.step
            sent: list[Any] = []

            def then_fail(said: Any) -> None:
                step(said)
                # Once: another one would be held up by the share itself, and stop the server when it goes on.
                if said.name == "reading the card" and said.done > 4 << 20 and not sent:
                    sent.append(subprocess.run(["pkill", f"-{signal}", "smbd"], check=True))

            reporter.step = then_fail
            policy = Policy(store=StorePolicy(sync_every=1 << 20))
            options, facts = CaptureOptions(Path(source), policy), this_machine(state_folder())
            return capture_onto(Path(share), board, options, facts, reporter, stop)

        began = time.monotonic()
        with contextlib.redirect_stderr(io.StringIO()) as said:
            result, code = supervisor.run(task, View(True), stall)
        return [result, int(code), said.getvalue(), time.monotonic() - began]

    ready.shell(f"head -c 24000000 /dev/urandom >{CARD}")
    before = ready.backupctl("list", "--board", BOARD, "--json").json
    with ready.mounted("Back ups", "failing", how) as path:
        try:
            result, ended, said, seconds = ready.inside(capture, path, BOARD, CARD, signal, stall, seconds=240)
        finally:
            # Started, not restarted: that would unmount what requires it first, and wait for the dead server.
            ready.shell("pkill -CONT smbd || { systemctl reset-failed smbd; systemctl start smbd; }")
        assert result is None
        assert ended in codes, said
        assert WORDS_OF_CODES[ended] in said
        print(f"{how}, {signal}: {seconds:.0f} s, {said}")
        # The next one is not held up, tells of it, and uses what was written.
        again = ready.capture(CARD, share=path, board=BOARD)
        assert again["written_bytes"] < 23_000_000
    runs = ready.backupctl("runs", "--board", BOARD, "--json").json
    (failed,) = [event for event in runs if event["kind"] == "failed"][-1:]
    assert failed["body"]["exit"] == ended
    listed = ready.backupctl("list", "--board", BOARD, "--json").json
    assert [item["id"] for item in listed] == [item["id"] for item in before] + [again["id"]]
    ready.backupctl("verify", "--board", BOARD, "--json")
