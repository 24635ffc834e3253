"""Removal on a real SMB mount: what it rests on, and a thinning while somebody reads."""

from __future__ import annotations

from typing import Any

import pytest

from tests.rig.rig import SHARE, Rig

pytestmark = pytest.mark.rig

BOARD = "loft"  # a shelf of its own: what other tests have captured would be thinned with it
POLICY = "[retention]\neverything_for = 0\nminimum = 1\n"


def test_a_tray_that_its_successor_removed_takes_nothing_more(adopted: Rig) -> None:
    """Two clients: the first moves a part out, and stands still; the second takes over, and closes its tray."""

    def race(first: str, second: str) -> list[Any]:
        import errno
        import os
        from pathlib import Path

        from backupctl.share.lock import Claim, acquire
        from backupctl.share.storage import FolderStorage
        from backupctl.share.trash import Tray, close_open_trays, find

        def claim(boot: str) -> Claim:
            return Claim("0" * 32, boot, os.getpid(), "", "shed", "thinning", lambda holder: holder.boot != boot)

        one, two = FolderStorage(Path(first)), FolderStorage(Path(second))
        (Path(first) / "stock").mkdir(parents=True)
        names = [f"stock/{digit * 20}.zst" for digit in "012"]
        for name in names:
            (Path(first) / name).write_text(name)
        late = acquire(one, claim("one"))
        tray = Tray(one, late)
        tray.take(names[0])
        (folder,) = one.names("trash")
        with two.open(names[0].replace("stock/", f"trash/{folder}/")):  # somebody reads what was moved
            lock = acquire(two, claim("two"))
            close_open_trays(two, lock)
        found: list[Any] = []
        try:
            one.rename(names[1], f"trash/{folder}/late")
        except OSError as error:
            found.append(errno.errorcode[error.errno or 0])
        with one.open(names[1]), Tray(two, lock) as mine:  # somebody reads what is to be moved
            mine.take(names[1])
        found += [two.names("stock"), find(two, names[0]) is not None, find(one, names[1]) is not None]
        lock.release()
        return found

    with adopted.mounted("Back ups", "other") as other:
        found = adopted.inside(race, f"{SHARE}/removal", f"{other}/removal")
    assert found == ["ENOENT", [f"{'2' * 20}.zst"], True, True]


def test_thinning_over_smb(adopted: Rig) -> None:
    rig = adopted
    rig.shell("head -c 3000000 /dev/urandom >/var/tmp/card.img")
    first = rig.capture("/var/tmp/card.img", board=BOARD)["id"]
    rig.shell("head -c 400000 /dev/urandom | dd of=/var/tmp/card.img conv=notrunc status=none")
    second = rig.capture("/var/tmp/card.img", board=BOARD)["id"]
    rig.shell(f"printf '{POLICY}' >/var/tmp/one.toml")
    words = ("thin", "--board", BOARD, "--policy", "/var/tmp/one.toml", "--yes", "--all")
    thinned = rig.backupctl(*words, "--json").json
    actions = {item["id"]: item["action"] for item in thinned}
    assert (actions[first], actions[second]) == ("goes", "stays")
    rig.backupctl(*words, "--tidy")
    assert [item["id"] for item in rig.backupctl("list", "--board", BOARD, "--json").json] == [second]
    # A file that was closed a moment ago is still open at the server, and listed until it is not (mount.cifs(8),
    # closetimeo).
    trash = f"find '{SHARE}/boards/{BOARD}/trash' -type f"
    rig.shell(f'for n in $(seq 50); do [ -z "$({trash})" ] && exit 0; sleep 0.2; done; {trash}; exit 1')
    rig.backupctl("restore", second, "/var/tmp/back.img", "--board", BOARD)
    rig.shell("cmp /var/tmp/card.img /var/tmp/back.img && rm /var/tmp/*.img")
    rig.backupctl("verify", "--board", BOARD)
