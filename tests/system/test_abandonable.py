"""What a dead share blocks is left behind in time, and nobody waits for what was left behind."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.abandonable import Stalled, within
from backupctl.domain.errors import BackupctlError, Refused
from tests.system.loop_device import need

pytestmark = pytest.mark.system


@contextmanager
def that_never_mounts(folder: Path) -> Iterator[None]:
    """An automount whose daemon never answers: to look into the folder takes for ever (autofs(5), "direct")."""
    need("mount")
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount")
    if "autofs" not in Path("/proc/filesystems").read_text():
        pytest.skip("needs the kernel's autofs")
    folder.mkdir(exist_ok=True)
    asked, asking = os.pipe()
    options = f"fd={asking},pgrp={os.getpgrp()},minproto=5,maxproto=5,direct"
    subprocess.run(["mount", "-t", "autofs", "-o", options, "nas", folder], check=True, pass_fds=(asking,))
    try:
        yield
    finally:
        os.close(asking)
        subprocess.run(["umount", "--lazy", folder], check=True)
        os.close(asked)


def test_what_comes_in_time() -> None:
    assert within(30, "x", lambda: {"a": [1, "ü\udc80"]}) == {"a": [1, "ü\udc80"]}
    assert within(30, "x", lambda: os.getpid()) != os.getpid()


def test_errors_come_as_they_were() -> None:
    with pytest.raises(FileNotFoundError, match="/no/such"):
        within(30, "x", lambda: Path("/no/such").stat())
    with pytest.raises(BackupctlError, match="not now"):
        within(30, "x", lambda: _raise(Refused("not now", "later")))


def _raise(error: Exception) -> Any:
    raise error


def test_a_child_that_dies() -> None:
    with pytest.raises(BackupctlError, match="looked at x ended"):
        within(30, "x", lambda: os._exit(9))


def test_a_mount_point_that_hangs(tmp_path: Path) -> None:
    with that_never_mounts(tmp_path / "nas"):
        began = time.monotonic()
        with pytest.raises(Stalled, match="within 1 s"):
            within(1, "x", lambda: os.close(os.open(tmp_path / "nas", os.O_RDONLY | os.O_DIRECTORY)))
        assert time.monotonic() - began < 5


def test_what_may_be_left_behind_holds_nothing_that_others_wait_for(tmp_path: Path) -> None:
    def held() -> list[str]:
        links = sorted(Path("/proc/self/fd").iterdir(), key=lambda link: int(link.name))
        return [str(link.readlink()) for link in links if link.is_symlink()]

    with (tmp_path / "share").open("w"):
        found = within(30, "x", held)
    # A reader of our output waits for whoever has its pipe open.
    assert found[:3] == ["/dev/null"] * 3
    assert [name for name in found[3:] if not name.startswith("pipe:")] == []
    assert len(found) == 4
