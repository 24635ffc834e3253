"""Mounting by what `share plan` writes: at once, for nights after another start, and moved to another server."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.rig import recipe
from tests.rig.board import Board, Disk
from tests.rig.nights import NIGHT, POLICY_FILE, journal, move_to_night, send_policy, state, wait_for
from tests.rig.rig import SHARE_BYTES, Rig

pytestmark = pytest.mark.rig

FSTAB, UNITS = "/mnt/by fstab", "/mnt/by units"
PASSWORD = "quiet-fern"  # the recipe's
PLAN = f"share plan --server 127.0.0.1 --path '{recipe.SHARE_FOLDER.capitalize()}' --user keeper --apply"


def planned(board: Board, mount: str, *words: str) -> None:
    board.send(f"{PASSWORD}\n".encode(), "/root/secret")
    done = board.run(
        f"chmod 600 /root/secret; backupctl {PLAN} --password-file /root/secret --mount '{mount}' {' '.join(words)}"
    )
    assert (done.code, done.err) == (0, ""), done
    assert PASSWORD not in done.out


def mounted(board: Board, mount: str) -> dict[str, str]:
    """By findmnt, after the first use; options of mount and file system."""
    found = board.run(f"ls '{mount}/.' && findmnt --noheadings --raw --types cifs -o SOURCE,OPTIONS '{mount}'", 120)
    assert found.code == 0, (found, board.run("journalctl --boot --no-pager --lines 40").out)
    source, options = found.out.splitlines()[-1].split()
    given = dict(option.partition("=")[::2] for option in options.split(","))
    return {"source": source, **given}


@pytest.fixture
def applied(adopted: Rig) -> Iterator[Rig]:
    """The share of the tests, mounted by fstab at one more place."""
    planned(adopted.board, FSTAB)
    yield adopted
    adopted.shell(
        "systemctl stop 'mnt-by\\x20fstab.automount'; mv /etc/fstab.old-1 /etc/fstab; systemctl daemon-reload"
    )


def check(rig: Rig) -> dict[str, Any]:
    found = rig.backupctl("share", "check", "--json", codes=(0, 4)).json
    shares: dict[str, Any] = {share["mount"]: share for share in found["shares"]}
    return shares


def test_the_options_are_in_force_at_once(applied: Rig) -> None:
    options = mounted(applied.board, FSTAB)
    assert options["source"] == r"//127.0.0.1/Back\x20ups"
    assert {"soft", "nosuid", "nodev", "noexec", "rw"} <= options.keys()
    assert (options["uid"], options["file_mode"], options["dir_mode"]) == ("0", "0600", "0700")
    assert options["vers"] == "3.1.1"  # the highest that both speak
    told = check(applied)
    assert (told[FSTAB]["state"], told[FSTAB]["faults"]) == ("mounted", [])
    # The recipe's own line.
    faults = " ".join(fault["what"] for fault in told[recipe.MOUNT_POINT]["faults"])
    assert "nofail is missing" in faults
    assert "all users of this machine can read the captures" in faults


def test_moving_to_another_name_of_the_server(applied: Rig) -> None:
    other = applied.backupctl("share", "adopt", FSTAB, "--board", "other")
    assert "the board joins it" in other.out
    before = applied.shell("cat /etc/fstab")
    # The server's other share has been adopted by nobody.
    named = ("share", "move", "--mount", FSTAB, "--yes")
    refused = applied.backupctl(*named, "--server", "localhost", "--path", "Small", codes=(3,))
    assert "was expected" in refused.err or "cannot be mounted" in refused.err
    wrong = applied.backupctl(*named, "--server", "127.0.0.99", codes=(3,))
    assert "cannot be mounted" in wrong.err
    assert applied.shell("cat /etc/fstab") == before
    applied.backupctl(*named, "--server", "localhost")
    applied.shell(f"umount '{FSTAB}'")
    assert mounted(applied.board, FSTAB)["source"] == r"//localhost/Back\x20ups"
    assert check(applied)[FSTAB]["faults"] == []
    applied.shell("mv /etc/fstab.old-2 /etc/fstab")


def test_a_server_that_does_not_answer(applied: Rig) -> None:
    def look(mount: str) -> Any:
        from pathlib import Path

        from backupctl.operations.progress import Quiet
        from backupctl.operations.shares.share_check import check_shares

        shares = check_shares(Path("/nowhere"), Quiet(), seconds=5)["shares"]
        return next(share for share in shares if share["mount"] == mount)

    mounted(applied.board, FSTAB)
    with applied.server_hung():
        told = applied.inside(look, FSTAB)
    assert told["state"] == "no answer"
    assert "did not answer within 5 s" in told["faults"][0]["what"]


def test_a_night_by_either_form_after_another_start(rig: Rig, tmp_path: Path) -> None:
    """The share is not mounted when the timer goes off; the night's first look at it has it mounted."""
    card, share = Disk(tmp_path / "card.img", "card"), Disk(tmp_path / "share.img", "share")
    shutil.copyfile(recipe.card(), card.path)
    recipe.make_share_disk(share.path, SHARE_BYTES)
    board = Board(tmp_path / "own")

    def done(command: str) -> str:
        ended = board.run(command, 180)
        assert ended.code == 0, (command, ended)
        return ended.out

    def install_timer(mount: str) -> None:
        done(f"backupctl timer install --share '{mount}' --policy {POLICY_FILE} --yes")

    try:
        board.start(card, share, bound_to_us=True)
        board.install_program()
        send_policy(board)
        planned(board, FSTAB)
        planned(board, UNITS, "--units")
        for mount in (FSTAB, UNITS):
            done(f"backupctl share adopt '{mount}' --board greenhouse")
        install_timer(FSTAB)
        board.power_off()
        board.start(card, share, bound_to_us=True)
        for captures, mount in enumerate((FSTAB, UNITS), 1):
            if mount == UNITS:
                install_timer(mount)
            before = state(board, NIGHT)
            done(f"umount --types cifs '{mount}' 2>/dev/null; ! findmnt --types cifs '{mount}'")
            move_to_night(board, captures)
            ended = wait_for(board, NIGHT, "inactive", "failed", after=before)
            assert (ended["Result"], ended["ExecMainStatus"]) == ("success", "0"), journal(board, NIGHT)
            assert mounted(board, mount)["dir_mode"] == "0700"
            # A clock that is moved past its time may start a night twice.
            assert len(done("ls -d /srv/share/*/boards/greenhouse/captures/*/record.json").splitlines()) >= captures
    finally:
        board.kill()
        card.path.unlink()
        share.path.unlink()
