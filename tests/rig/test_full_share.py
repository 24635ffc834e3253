"""A share that runs full. Its server has a small disk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.rig import recipe
from tests.rig.rig import BOARD, MIB, Rig

pytestmark = pytest.mark.rig

DISK_BYTES = 224 * MIB


@pytest.fixture(scope="module")
def small(rig: Rig, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A share of its own, whose disk has little room; where it is mounted."""
    disk = tmp_path_factory.mktemp("small") / "small.img"
    recipe.make_share_disk(disk, DISK_BYTES)
    with rig.in_reader(disk, "small") as device:
        rig.shell(f"mkdir -p /srv/small && mount {device} /srv/small")
        try:
            with rig.mounted("Small", "small") as path:
                yield path
        finally:
            # The server holds the folder for as long as it has clients.
            rig.shell("for n in $(seq 100); do umount /srv/small && exit 0; sleep 0.1; done; exit 1")


def test_full_share_is_told_at_a_sync_and_not_for_ever(rig: Rig, small: str) -> None:
    def fill(path: str, size: int) -> list[Any]:
        import errno
        import os
        from pathlib import Path

        def outcome(step: Any) -> str:
            try:
                step()
            except OSError as error:
                return errno.errorcode[error.errno or 0]
            return "done"

        file = os.open(f"{path}/filler", os.O_RDWR | os.O_CREAT)
        block = os.urandom(1 << 20)
        written = outcome(lambda: [os.write(file, block) for _ in range(size >> 20)])
        # Once, by fsync(2); more often where the client notes the error of a page only after it has waited for that.
        synced = [outcome(lambda: os.fsync(file)) for _ in range(10)]
        found = [written, synced[0], synced[-1], outcome(lambda: os.close(file))]
        Path(path, "filler").unlink()
        return found

    rig.shell("fallocate --length 180MiB /srv/small/filler")
    try:
        assert rig.inside(fill, small, 64 * MIB) == ["done", "ENOSPC", "done", "done"]
    finally:
        rig.shell("rm /srv/small/filler")


def test_capture_onto_a_full_share_fails_and_loses_nothing(rig: Rig, small: str) -> None:
    rig.backupctl("share", "adopt", small, "--board", BOARD)
    rig.shell("head -c 20000000 /dev/urandom >/var/tmp/first.img; head -c 100000000 /dev/urandom >/var/tmp/second.img")
    # More than the second capture: there is room for it afterwards, even if nothing of the failed run can be used. What
    # is free until then is less, and more than what preflight asks for: it does not know that this is noise.
    rig.shell("fallocate --length 108000000 /srv/small/filler; sync; printf '[space]\\nreserve = 0\\n' >/run/none.toml")
    words = ("--policy", "/run/none.toml")
    first = rig.capture("/var/tmp/first.img", *words, share=small)

    second = ("--source", "/var/tmp/second.img")
    failed = rig.backupctl("capture", "--board", BOARD, *second, *words, "--json", share=small, codes=(1,))
    assert "there is no room left on the share" in failed.err
    listed = rig.backupctl("list", "--json", share=small).json
    assert [capture["id"] for capture in listed] == [first["id"]]
    assert rig.backupctl("verify", "--json", share=small).json["whole_captures"] == [first["id"]]

    rig.shell("rm /srv/small/filler; sync")
    again = rig.capture("/var/tmp/second.img", *words, share=small)
    assert again["written_bytes"] < 100_000_000 - MIB  # something of the failed run was of use
    rig.backupctl("restore", "newest", "/var/tmp/again.img", "--board", BOARD, share=small)
    rig.shell("cmp /var/tmp/second.img /var/tmp/again.img; rm /var/tmp/*.img")
