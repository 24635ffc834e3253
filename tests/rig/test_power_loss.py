"""The power is cut in the middle of captures: of the board together with its server, and of the server alone.

A killed emulator loses what the board's memory held, the client's cache and the server's; what the server's file system
had flushed to its disk stays. That a disk loses what it was told to flush is not tried here.
"""

from __future__ import annotations

import os
import random
import time
from pathlib import Path
from typing import Any

import pytest

from tests.program import backupctl
from tests.rig.rig import MIB, SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "attic"  # a shelf of its own, so that little has to be verified
LONG = os.environ.get("BACKUPCTL_LONG") == "1"
CUTS, NOISE_BYTES = (20, 32 * MIB) if LONG else (3, 16 * MIB)
STRICT = ("yes", "no")  # whether the server does what it is asked to: sync
# Often synced, so that there is something to go on from.
SYNC_EVERY = 2 * MIB
POLICY = b'[store]\nsync_every = "2 MiB"\nread_back = false\n'
POLICY_FILE = "/run/often.toml"

# The capture of another run than the one whose output is waited for; its exit code comes last.
_BEGIN = (
    "(BACKUPCTL_SHARE='{share}' backupctl capture --board {board} --source {source} --policy {policy} --json "
    ">/run/capture.json 2>/run/capture.err; echo $? >/run/capture.code) >/dev/null 2>&1 &"
)


def _begin(rig: Rig, source: str) -> None:
    rig.board.send(POLICY, POLICY_FILE)
    rig.shell("rm -f /run/capture.*")
    rig.shell(_BEGIN.format(share=SHARE, board=BOARD, source=source, policy=POLICY_FILE))


def _ended(rig: Rig, seconds: float) -> int:
    """The exit code of the run that was begun."""
    rig.shell(
        f"for n in $(seq {int(seconds * 5)}); do [ -s /run/capture.code ] && exit 0; sleep 0.2; done; exit 1", seconds
    )
    return int(rig.shell("cat /run/capture.code"))


def _ids(rig: Rig) -> set[str]:
    """Captures with a record, on the server's disk: without a start of the program."""
    records = rig.shell(f"cd '{SERVED}/boards/{BOARD}/captures' 2>/dev/null && ls */record.json || true")
    return {name.partition("/")[0] for name in records.splitlines()}


def _unfinished_bytes(rig: Rig) -> int:
    """The size of the parts that have no table, on the server's disk."""
    sizes = (
        f"cd '{SERVED}/boards/{BOARD}/stock' && ls | while read part; do case $part in *.table.zst) ;; "
        "*.zst) [ -e ${part%.zst}.table.zst ] || stat -c %s $part ;; esac; done"
    )
    return sum(map(int, rig.board.run(sizes).out.split()))  # none if the cut came before there was a folder


def _noise(rig: Rig, name: str) -> Path:
    path = rig.folder / f"{name}.img"
    path.write_bytes(os.urandom(NOISE_BYTES))
    return path


def _capture(rig: Rig, noise: Path) -> Any:
    with rig.in_reader(noise, noise.stem) as source:
        rig.board.send(POLICY, POLICY_FILE)
        return rig.capture(source, "--policy", POLICY_FILE, board=BOARD)


def _whole(rig: Rig, codes: tuple[int, ...] = (0,)) -> set[str]:
    with rig.share_elsewhere() as elsewhere:
        verified = backupctl(elsewhere, "verify", "--board", BOARD, "--json", code=None)
    assert verified.code in codes
    return set(verified.json["whole_captures"])


def _comes_back(rig: Rig, noise: Path) -> None:
    again = rig.folder / "again.img"
    with rig.share_elsewhere() as elsewhere:
        backupctl(elsewhere, "restore", "newest", again, "--board", BOARD)
    assert again.read_bytes() == noise.read_bytes()
    again.unlink()


# Bytes of all parts, on the server's disk.
_STOCK = f"$(du -sb '{SERVED}/boards/{BOARD}/stock' 2>/dev/null | cut -f1 | grep . || echo 0)"


def _wait_for(rig: Rig, stock: int) -> None:
    """Until there is so much on the server, or the run that was begun has ended."""
    ready = f"[ {_STOCK} -ge {stock} ] || [ -s /run/capture.code ]"
    rig.shell(f"for n in $(seq 10000); do {ready} && exit 0; sleep 0.05; done; exit 1", 600)


def test_power_cuts(adopted: Rig) -> None:
    rig = adopted
    rig.shell("sync")  # what the tests before have left is not to be lost
    seed = int.from_bytes(os.urandom(4))
    chance = random.Random(seed)
    print(f"seed {seed}")
    interrupted = gone_on = 0
    for cut in range(CUTS):
        committed = _ids(rig)
        noise = _noise(rig, f"cut{cut}")
        moment = (cut + chance.random()) / CUTS * NOISE_BYTES
        with rig.in_reader(noise, noise.stem) as source:
            before = int(rig.shell(f"echo {_STOCK}"))
            _begin(rig, source)
            _wait_for(rig, before + int(moment))
            time.sleep(chance.random() / 4)
            rig.board.kill()
        rig.boot()
        found = _ids(rig)
        assert committed <= found
        left = _unfinished_bytes(rig)
        assert _whole(rig) == found
        taken = _capture(rig, noise)
        assert taken["id"] not in found
        ended = "before its end" if found == committed else "behind its end"
        print(f"cut {cut} at {moment / MIB:.1f} MiB, {ended}: {left} bytes left, then wrote {taken['written_bytes']}")
        # What was synced, the last step aside, is gone on from.
        assert left < 2 * SYNC_EVERY or taken["written_bytes"] < NOISE_BYTES
        interrupted += found == committed
        gone_on += taken["written_bytes"] < NOISE_BYTES
    _comes_back(rig, noise)
    assert _whole(rig) == _ids(rig)
    assert interrupted
    assert gone_on


def _server_loses_power() -> None:
    """The server's processes are gone at once, and with them whatever its file system had not flushed."""
    import fcntl
    import os
    import struct
    import subprocess
    import time

    assert os.path.ismount("/srv/share")
    subprocess.run(["systemctl", "kill", "--signal=KILL", "smbd"], check=True)
    folder = os.open("/srv/share", os.O_RDONLY)
    # EXT4_IOC_SHUTDOWN with EXT4_GOING_FLAGS_NOLOGFLUSH (linux/include/uapi/linux/ext4.h): no write gets to the disk
    # from here on, journal included.
    fcntl.ioctl(folder, 0x8004587D, struct.pack("I", 2))
    os.close(folder)
    for _ in range(100):
        if subprocess.run(["umount", "/srv/share"], check=False).returncode == 0:
            break
        time.sleep(0.1)
    subprocess.run(["systemctl", "reset-failed", "smbd"], check=False)
    subprocess.run(["systemctl", "restart", "smbd"], check=True)
    subprocess.run(["mountpoint", "-q", "/srv/share"], check=True)


@pytest.mark.long
@pytest.mark.parametrize("strict", STRICT)
def test_server_loses_power(adopted: Rig, strict: str) -> None:
    """`strict`: whether the server syncs when its client asks it to (smb.conf(5), "strict sync"), or only says so."""
    rig = adopted
    if strict == "no":
        rig.shell("sed -i 's/^server role.*/&\\nstrict sync = no/' /etc/samba/smb.conf && systemctl restart smbd")
        assert "strict sync = No" in rig.shell("testparm -s")
    committed = _ids(rig)
    rig.shell("sync")
    noise = _noise(rig, f"server-{strict}")
    with rig.in_reader(noise, noise.stem) as source:
        before = int(rig.shell(f"echo {_STOCK}"))
        _begin(rig, source)
        _wait_for(rig, before + random.SystemRandom().randrange(1, NOISE_BYTES))
        rig.inside(_server_loses_power)
        code = _ended(rig, 240)
        print(code, rig.shell("cat /run/capture.err"))
    assert code in (1, 4, 8)  # 4: the client reached the server again in time
    rig.shell(f"umount -t cifs '{SHARE}'", 120)
    found = _ids(rig)
    assert committed <= found
    kept = _whole(rig, codes=(0, 5))
    assert strict == "no" or kept == found
    assert committed <= kept
    taken = _capture(rig, noise)
    assert taken["id"] in _whole(rig, codes=(0, 5))
    _comes_back(rig, noise)
    noise.unlink()
    rig.shell("sed -i '/^strict sync/d' /etc/samba/smb.conf && systemctl restart smbd")
