"""A share that is away, slow, read-only, full or another one is told of in time, and nothing is written there."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from backupctl.operations.facts import Facts
from backupctl.operations.preflight import share as share_checks
from backupctl.operations.preflight.check import OK, REFUSE, Check
from backupctl.operations.preflight.share import look_at_share, probe_share
from backupctl.operations.shares.share_identity import Identity, remember
from tests.program import backupctl, environment
from tests.system.hung_share import hung_share
from tests.system.loop_device import need

pytestmark = pytest.mark.system


@pytest.fixture
def facts(tmp_path: Path) -> Facts:
    return Facts("greenhouse", "0" * 32, "one boot", "Europe/Berlin", True, tmp_path / "state")


@pytest.fixture
def share(tmp_path: Path) -> Path:
    folder = tmp_path / "share"
    folder.mkdir()
    backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "greenhouse")
    return folder


@pytest.fixture
def in_memory(tmp_path: Path) -> Iterator[Path]:
    """A share that is mounted, and adopted."""
    need("mount")
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount")
    folder = tmp_path / "mounted"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=32M", "share", folder], check=True)
    try:
        backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "greenhouse")
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(2 << 20))
    return path


def refused(checks: list[Check]) -> str:
    return "; ".join(check.detail for check in checks if check.result == REFUSE)


def test_a_server_that_does_not_answer(tmp_path: Path, facts: Facts) -> None:
    with hung_share(tmp_path / "nas") as nas:
        began = time.monotonic()
        assert "did not answer within 1 s" in refused(look_at_share(nas / "share", facts, seconds=1))
        tried, probed = probe_share(nas / "share", seconds=1)
        assert time.monotonic() - began < 10
    assert tried.result == REFUSE
    assert probed is None


def test_one_that_answers(share: Path, facts: Facts) -> None:
    remember(facts.state_folder, share, Identity(_id(share), None))
    seen = look_at_share(share, facts)
    assert [(check.name, check.result) for check in seen] == [("mount", OK), ("share", OK)]
    assert "as before" in seen[1].detail
    tried, probed = probe_share(share)
    assert tried.result == OK
    assert probed is not None
    assert abs(probed.ahead) < 60


def _id(share: Path) -> str:
    from backupctl.share.marks import read_share_mark
    from backupctl.share.storage import FolderStorage

    mark = read_share_mark(FolderStorage(share))
    assert mark is not None
    return mark.id


def test_another_share_in_its_place(share: Path, facts: Facts) -> None:
    remember(facts.state_folder, share, Identity("f" * 32, None))
    assert f"is share {_id(share)[:8]}, and was share ffffffff" in refused(look_at_share(share, facts))


def test_a_folder_that_is_not_there(tmp_path: Path, facts: Facts) -> None:
    (mount,) = look_at_share(tmp_path / "nowhere", facts)
    assert (mount.result, mount.todo) == (REFUSE, "Is its path right, and the share mounted?")


def test_an_empty_mount_point(tmp_path: Path, facts: Facts, card: Path) -> None:
    folder = tmp_path / "mount point"
    folder.mkdir()
    remember(facts.state_folder, folder, Identity("f" * 32, None))
    said = refused(look_at_share(folder, facts))
    assert "is no network mount" in said
    assert "is no share, and was share ffffffff" in said
    for command in ("preflight", "capture", "night"):
        backupctl(folder, command, "--board", "greenhouse", "--source", card, code=3)
    assert list(folder.iterdir()) == []


def test_a_share_that_has_become_read_only(in_memory: Path, card: Path) -> None:
    before = sorted(in_memory.rglob("*"))
    subprocess.run(["mount", "-o", "remount,ro", in_memory], check=True)
    words = ("--board", "greenhouse", "--source", card)
    assert "it is read-only" in backupctl(in_memory, "preflight", *words, code=3).out
    ended = backupctl(in_memory, "night", *words, "--json", code=3).json
    assert {step["name"]: step["result"] for step in ended["steps"]} == {
        "share": "failed", "room": "not run", "capture": "not run", "verify": "not run", "thin": "not run",
        "drill": "not run",
    }  # fmt: skip
    assert sorted(in_memory.rglob("*")) == before


def test_a_full_share(in_memory: Path, card: Path) -> None:
    found = os.statvfs(in_memory)
    of_others = in_memory / "of others"
    of_others.write_bytes(bytes(found.f_bavail * found.f_frsize))
    tried, _ = probe_share(in_memory)
    assert (tried.result, tried.detail) == (REFUSE, "there is no room left on the share")
    card_words = ("--board", "greenhouse", "--source", card)
    backupctl(in_memory, "capture", *card_words, code=3)
    of_others.unlink()  # it would fit now, but a share is not filled to the brim
    told = backupctl(in_memory, "preflight", *card_words, "--json", code=3).json["checks"]
    (room,) = [check for check in told if check["result"] == "refuse"]
    assert room["detail"].endswith("MiB free; no capture is begun with less than 64.0 MiB")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ESTALE, "is stale"),
        (errno.EHOSTDOWN, "the server of"),
        (errno.ECONNABORTED, "the server of"),
        (errno.EACCES, "cannot be looked into"),
        (errno.ENOENT, "there is no folder"),
    ],
)
def test_errors_of_a_mount(
    tmp_path: Path, facts: Facts, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def fails(folder: Path) -> None:
        raise OSError(number, os.strerror(number), str(folder))

    monkeypatch.setattr(share_checks, "_look", fails)
    (check,) = look_at_share(tmp_path, facts)
    assert check.result == REFUSE
    assert words in check.detail


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.EROFS, "read-only"), (errno.EACCES, "may not write"), (errno.EIO, "cannot be written to: Input/output")],
)
def test_errors_of_writing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str) -> None:
    def fails(_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(share_checks, "probe", fails)
    tried, _ = probe_share(tmp_path)
    assert words in tried.detail


def test_a_folder_that_was_entered_before_the_share_was_mounted(tmp_path: Path, card: Path) -> None:
    """Its name is taken, not the folder beneath the mount that the shell is in."""
    need("mount")
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount")
    folder = tmp_path / "nas"
    folder.mkdir()
    program = f"{sys.executable} -m backupctl"
    script = (
        f'cd "{folder}" && mount -t tmpfs share "{folder}" && {program} share adopt "{folder}" --same-machine '
        f"--board greenhouse >/dev/null && {program} capture --share . --board greenhouse --source '{card}' && ls -A ."
    )
    package = Path(__file__).parents[2]
    try:
        done = subprocess.run(
            ["sh", "-c", script], env={**environment(None), "PYTHONPATH": str(package)}, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert list((folder / "boards/greenhouse/captures").iterdir())
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)
    assert list(folder.iterdir()) == []
