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

from tests.rig.rig import MIB, SERVED, SHARE, Rig

pytestmark = [pytest.mark.rig, pytest.mark.long]

BOARD = "attic"  # a shelf of its own, so that little has to be verified
CUTS = int(os.environ.get("BACKUPCTL_CUTS", "20"))
NOISE_BYTES = 24 * MIB
STRICT = ("yes", "no")  # whether the server does what it is asked to: sync
# Often synced, so that there is something to go on from.
POLICY = b'[store]\nsync_every = "4 MiB"\n'
POLICY_FILE = "/run/often.toml"
STARTS_SECONDS = 2.0  # before a capture writes anything

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
    return {capture["id"] for capture in rig.backupctl("list", "--board", BOARD, "--json").json}


def _unfinished_bytes(rig: Rig) -> int:
    """The size of the parts that have no table, on the server's disk."""
    sizes = (
        f"cd '{SERVED}/boards/{BOARD}/stock' && for part in *.zst; do case $part in *.table.zst) ;; "
        "*) [ -e ${part%.zst}.table.zst ] || stat -c %s $part ;; esac; done"
    )
    return sum(map(int, rig.shell(sizes).split()))


def _noise(rig: Rig, name: str) -> Path:
    path = rig.folder / f"{name}.img"
    path.write_bytes(os.urandom(NOISE_BYTES))
    return path


def _finish_and_compare(rig: Rig, noise: Path) -> Any:
    """The next capture does what the stopped one did not, and comes back as it went."""
    with rig.in_reader(noise, noise.stem) as source:
        rig.board.send(POLICY, POLICY_FILE)
        taken = rig.capture(source, "--policy", POLICY_FILE, board=BOARD)
        rig.backupctl("restore", "newest", "/var/tmp/again.img", "--board", BOARD)
        rig.shell(f"cmp {source} /var/tmp/again.img; rm /var/tmp/again.img")
    return taken


def test_power_cuts(adopted: Rig) -> None:
    rig = adopted
    rig.shell(f"rm -rf '{SHARE}'/behaviour-*; sync")
    noise = _noise(rig, "undisturbed")
    with rig.in_reader(noise, "undisturbed") as source:
        began = time.monotonic()
        _begin(rig, source)
        assert _ended(rig, 120) == 4  # noise is read whole, which is a warning
        whole = time.monotonic() - began
    seed = int.from_bytes(os.urandom(4))
    chance = random.Random(seed)
    print(f"seed {seed}, {whole:.1f} s undisturbed")
    interrupted = 0
    for cut in range(CUTS):
        committed = _ids(rig)
        noise = _noise(rig, f"cut{cut}")
        with rig.in_reader(noise, f"cut{cut}") as source:
            _begin(rig, source)
            moment = (cut + chance.random()) / CUTS
            time.sleep(STARTS_SECONDS + moment * (whole - STARTS_SECONDS))
            rig.board.kill()
        began = time.monotonic()
        rig.boot()
        print(f"cut {cut} at {moment:.2f}, booted in {time.monotonic() - began:.1f} s")
        found = _ids(rig)
        assert committed <= found
        verified = rig.backupctl("verify", "--board", BOARD, "--json").json
        assert set(verified["whole_captures"]) == found
        left = _unfinished_bytes(rig)
        taken = _finish_and_compare(rig, noise)
        assert taken["id"] not in found
        interrupted += found == committed
        # What was synced, the last step aside, is gone on from.
        assert left < 8 * MIB or taken["written_bytes"] < NOISE_BYTES, left
        print(f"  {'interrupted' if found == committed else 'done before'}, then wrote {taken['written_bytes']} bytes")
        noise.unlink()
    assert interrupted


def _server_loses_power() -> None:
    """The server's processes are gone at once, and with them whatever its file system had not flushed."""
    import fcntl
    import os
    import struct
    import subprocess
    import time

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
        _begin(rig, source)
        time.sleep(STARTS_SECONDS + random.SystemRandom().uniform(1, 4))
        rig.inside(_server_loses_power)
        code = _ended(rig, 240)
        print(code, rig.shell("cat /run/capture.err"))
    assert code in (1, 4, 8)  # 4: the client reached the server again in time
    rig.shell(f"umount -t cifs '{SHARE}'", 120)
    assert committed <= _ids(rig)
    verified = rig.backupctl("verify", "--board", BOARD, "--json", codes=(0, 5)).json
    assert strict == "no" or set(verified["whole_captures"]) == _ids(rig)
    assert committed <= set(verified["whole_captures"])
    taken = _finish_and_compare(rig, noise)
    assert taken["id"] in rig.backupctl("verify", "--board", BOARD, "--json", codes=(0, 5)).json["whole_captures"]
    noise.unlink()
    rig.shell("sed -i '/^strict sync/d' /etc/samba/smb.conf && systemctl restart smbd")
