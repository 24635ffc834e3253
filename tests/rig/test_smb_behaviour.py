"""What an SMB share does that other file systems don't, shown on a real mount, and that the program stands up to it."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from tests.rig.rig import BOARD, SERVED, SHARE, Rig

pytestmark = pytest.mark.rig

_numbers = itertools.count()


@pytest.fixture
def folder(rig: Rig) -> str:
    """An empty folder on the share."""
    # Of its own: a file that was closed a moment ago is still open at the server (mount.cifs(8), closetimeo), so that
    # it goes a second after its unlink, and its folder cannot be removed before.
    path = f"{SHARE}/behaviour-{next(_numbers)}"
    rig.shell(f"mkdir '{path}'")
    return path


def test_network_mount_is_seen_behind_its_automount(rig: Rig) -> None:
    def look(path: str) -> list[Any]:
        from backupctl.board.mounts import is_network, mount_of, read_mounts

        def types() -> list[str]:
            return [mount.fstype for mount in read_mounts() if mount.mount_point == path]

        before = types()
        mount = mount_of(path)
        return [before, types(), mount.fstype, mount.source, mount.root, is_network(mount)]

    rig.shell(f"mountpoint -q '{SHARE}' && umount -t cifs '{SHARE}' || true")
    expected = [["autofs"], ["autofs", "cifs"], "cifs", "//127.0.0.1/Back ups", "/", True]
    assert rig.inside(look, SHARE) == expected


def test_rename_over_an_open_file_loses_it(rig: Rig, folder: str) -> None:
    def rename(folder: str) -> list[Any]:
        import os
        from pathlib import Path

        from backupctl.share.storage import FolderStorage

        def lay_out() -> None:
            for name in ("old", "new"):
                Path(folder, name).write_text(name)

        found: list[Any] = []
        lay_out()
        with Path(folder, "old").open():
            try:
                Path(folder, "new").rename(Path(folder, "old"))
            except OSError as error:
                found.append(os.strerror(error.errno or 0))
        found.append(sorted(path.name for path in Path(folder).iterdir()))
        lay_out()
        with Path(folder, "old").open():
            try:
                FolderStorage(Path(folder)).rename("new", "old")
            except FileExistsError:
                found.append("refused")
        return [*found, sorted(path.name for path in Path(folder).iterdir()), Path(folder, "old").read_text()]

    # The system's own rename fails, and the old file is gone with its holder; ours touches nothing.
    assert rig.inside(rename, folder) == ["Permission denied", ["new"], "refused", ["new", "old"], "old"]


def test_capture_while_every_file_of_the_share_is_held_open(adopted: Rig) -> None:
    rig = adopted
    rig.shell("head -c 3000000 /dev/urandom >/var/tmp/card.img")
    holder = (
        f"python3 -c 'import os, time; files = [open(os.path.join(f, n)) "
        f'for f, _, names in os.walk("{SHARE}") for n in names]; open("/run/held", "w").write(str(len(files))); '
        "time.sleep(300)' >/dev/null 2>&1 & echo $!"
    )
    process = rig.shell(f"rm -f /run/held; {holder}").strip()
    rig.shell("for n in $(seq 300); do [ -s /run/held ] && exit 0; sleep 0.1; done; exit 1")
    before = rig.shell(f"cd '{SERVED}' && find . -type f ! -path '*/busy/*' -exec sha256sum {{}} + | sort")
    for _ in range(6):  # the fifth removes the lock of the first, which is held open, and the sixth finds it there yet
        rig.capture("/var/tmp/card.img")
    rig.shell(f"kill {process}")
    kept = rig.shell(f"cd '{SERVED}' && find . -type f ! -path '*/busy/*' -exec sha256sum {{}} + | sort")
    assert set(before.splitlines()) <= set(kept.splitlines())
    assert int(rig.shell("cat /run/held")) >= len(before.splitlines()) > 5
    rig.backupctl("verify", "--board", BOARD)


def test_names_have_no_case(rig: Rig, folder: str) -> None:
    def create(folder: str) -> list[Any]:
        from pathlib import Path

        from backupctl.share.storage import FolderStorage

        storage = FolderStorage(Path(folder))
        storage.create("Reading").close()
        found: list[Any] = [storage.size("rEADING")]
        try:
            storage.create("READING")
        except FileExistsError:
            found.append("exists")
        return [*found, *(path.name for path in Path(folder).iterdir())]

    assert rig.inside(create, folder) == [0, "exists", "Reading"]


def test_board_whose_name_differs_in_case_only_is_refused(adopted: Rig) -> None:
    refused = adopted.backupctl("share", "adopt", SHARE, "--board", BOARD.upper(), codes=(2,))
    assert BOARD.upper() in refused.err
    assert BOARD.upper() not in adopted.shell(f"ls '{SERVED}/boards'")


def test_free_room_is_the_servers(rig: Rig) -> None:
    def room(share: str, served: str) -> list[Any]:
        import os
        from pathlib import Path

        from backupctl.share.storage import FolderStorage

        seen, own = os.statvfs(share), os.statvfs(served)
        return [seen.f_files, seen.f_frsize, FolderStorage(Path(share)).free_bytes(), own.f_bavail * own.f_frsize]

    files, _, seen, own = rig.inside(room, SHARE, SERVED)
    assert files == 0  # so nothing may be concluded from the number of free inodes
    assert abs(seen - own) < 1 << 20


def test_symbolic_links_cannot_be_made(rig: Rig, folder: str) -> None:
    def link(folder: str) -> str:
        import errno
        from pathlib import Path

        try:
            Path(folder, "here").symlink_to("there")
        except OSError as error:
            return str(error.errno == errno.EOPNOTSUPP)
        return "made"

    assert rig.inside(link, folder) == "True"


def test_modes_pretend(rig: Rig, folder: str) -> None:
    def change(folder: str) -> int:
        from pathlib import Path

        file = Path(folder, "secret")
        file.write_text("")
        file.chmod(0o600)
        return file.stat().st_mode & 0o777

    assert rig.inside(change, folder) == 0o755


def test_locks_are_advice(rig: Rig, folder: str) -> None:
    def lock(folder: str, other: str) -> list[str]:
        import errno
        import fcntl
        import os
        from collections.abc import Callable
        from pathlib import Path

        def outcome(step: Callable[[], object]) -> str:
            try:
                step()
            except OSError as error:
                return errno.errorcode[error.errno or 0]
            return "done"

        def write(file: int) -> None:
            os.pwrite(file, b"written", 0)
            os.fsync(file)

        found: list[str] = []
        for place in (other, folder):
            path = Path(folder, f"locked-{len(found)}")
            path.write_text("nothing")
            holder = os.open(path, os.O_RDWR)
            fcntl.flock(holder, fcntl.LOCK_EX | fcntl.LOCK_NB)
            file = os.open(f"{place}/{path.name}", os.O_RDWR)
            found.append(outcome(lambda: fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)))  # noqa: B023
            found.append(outcome(lambda: write(file)))  # noqa: B023
        return found

    with rig.mounted("Back ups", "other") as other:
        # Not EAGAIN, as flock(2) has it. From the same client the write gets through nevertheless, so that a lock alone
        # would not hold off a second run on the same board.
        assert rig.inside(lock, folder, folder.replace(SHARE, other)) == ["EACCES", "EACCES", "EACCES", "done"]


def test_two_runs_from_two_mounts(adopted: Rig) -> None:
    rig = adopted
    rig.shell("for n in 1 2; do head -c 40000000 /dev/urandom >/var/tmp/card$n.img; done")
    with rig.mounted("Back ups", "other") as other:
        command = f"backupctl capture --board {BOARD} --quiet --source /var/tmp/card"
        codes = rig.shell(
            f"cd /run; (BACKUPCTL_SHARE='{SHARE}' {command}1.img 2>one; echo $? >>one) & one=$!\n"
            f"(BACKUPCTL_SHARE='{other}' {command}2.img 2>two; echo $? >>two) & wait $one $!; cat one two"
        )
    said = codes.splitlines()
    assert sorted(line for line in said if line.isdigit()) == ["4", "6"], codes
    assert "is at work on this board's shelf" in codes
    rig.shell("rm /var/tmp/card?.img")
    rig.backupctl("verify", "--board", BOARD)
