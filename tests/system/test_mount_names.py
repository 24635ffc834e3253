"""The kernel's mount table with names that have to be escaped in it: what was mounted is what is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from backupctl.board.mounts import mount_of, read_mounts
from backupctl.formats.mountinfo import mount_of as mount_in
from tests.system.loop_device import need, tool

pytestmark = pytest.mark.system


@pytest.mark.parametrize(
    ("source", "name"),
    [
        ("//nas.lan/Back ups", "net share"),
        ("no#name, at all", "#1 of 2"),
        ("tab\there", "tab\there\\040"),
        ("two\nlines", "two\nlines"),
        ('"quoted"', "100% 'ü'"),
        ("back\\slash", "\\134"),
    ],
)
def test_a_mount_with_that_name(tmp_path: Path, source: str, name: str) -> None:
    need("mount")
    folder = tmp_path / name
    folder.mkdir()
    tool("mount", "-t", "tmpfs", source, folder)
    try:
        assert (mount_of(folder).source, mount_of(folder).mount_point) == (source, str(folder))
        beneath = mount_in(str(folder.parent), read_mounts())
        assert beneath is not None
        assert beneath.source != source
    finally:
        tool("umount", folder)
