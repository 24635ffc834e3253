"""Where a restore to a file may write: nothing is replaced, and nothing is put among devices."""

from __future__ import annotations

import errno
import filecmp
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from backupctl.domain.errors import BackupctlError, Refused
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Step, Stop
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.share.shelf import open_shelf
from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


@pytest.mark.parametrize("folder", ["/dev", "/sys", "/proc/self"])
def test_a_device_that_is_not_there_is_no_file_to_be(folder: str, whole: Made, tmp_path: Path) -> None:
    # A dry run, so that a program which gets this wrong leaves nothing in the machine's /dev.
    ended = backupctl(whole.share, "restore", "newest", f"{folder}/nosuch", "--dry-run", code=3)
    assert f"there is no device {folder}/nosuch" in ended.err
    assert "backupctl cards" in ended.err
    (tmp_path / "link").symlink_to(folder)
    backupctl(whole.share, "restore", "newest", tmp_path / "link" / "nosuch", "--dry-run", code=3)


class Meanwhile(Quiet):
    """Does something when the first bytes were written."""

    def __init__(self, action: Callable[[], object]) -> None:
        self._action: Callable[[], object] | None = action

    def step(self, step: Step) -> None:
        if self._action:
            self._action()
        self._action = None


def no_hard_links(*_: object, **__: object) -> None:
    raise OSError(errno.EPERM, os.strerror(errno.EPERM))  # link(2): "does not support the creation of hard links"


def restored(made: Made, target: Path, reporter: Quiet) -> None:
    shelf = open_shelf(made.share, "shed")
    restore_to_file(shelf, "newest", None, target, False, this_machine(target.parent / "state"), reporter, Stop())


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_came_to_be_meanwhile_is_kept(
    links: bool, hurt: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not links:
        monkeypatch.setattr(os, "link", no_hard_links)
    out = tmp_path / "out"
    out.mkdir()
    target = out / "card.img"
    with pytest.raises(Refused, match="meanwhile"):
        restored(hurt, target, Meanwhile(lambda: target.write_text("somebody's")))
    assert target.read_text() == "somebody's"
    assert [path.name for path in out.iterdir() if path.is_file()] == ["card.img"]


def test_a_file_that_comes_to_be_at_the_last_moment_is_kept(
    hurt: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After every look at whether it is there."""
    target = tmp_path / "card.img"
    rename, link = Path.rename, os.link

    def first(action: Callable[..., object]) -> Callable[..., object]:
        def then(*arguments: object, **named: object) -> object:
            target.write_text("somebody's")
            return action(*arguments, **named)

        return then

    monkeypatch.setattr(Path, "rename", first(rename))
    monkeypatch.setattr(os, "link", first(link))
    with pytest.raises(Refused, match="meanwhile"):
        restored(hurt, target, Quiet())
    assert target.read_text() == "somebody's"


def test_a_file_system_without_hard_links_will_do(hurt: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", no_hard_links)
    target = tmp_path / "card.img"
    restored(hurt, target, Quiet())
    assert filecmp.cmp(target, hurt.states[1], shallow=False)


def test_a_file_system_that_takes_no_large_files(hurt: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def too_large(*_: object) -> None:
        raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))  # as FAT's, of 4 GiB and more

    monkeypatch.setattr(os, "truncate", too_large)
    with pytest.raises(BackupctlError, match="takes no file of") as told:
        restored(hurt, tmp_path / "card.img", Quiet())
    assert "FAT ends at 4 GiB" in told.value.hint
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == []


def test_the_image_has_one_name_and_is_for_its_owner_only(hurt: Made, tmp_path: Path) -> None:
    target = tmp_path / "card.img"
    restored(hurt, target, Quiet())
    found = target.stat()
    assert (found.st_nlink, stat.S_IMODE(found.st_mode)) == (1, 0o600)
