"""Unit names against systemd-escape(1), unit files against systemd itself."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import UsageError
from backupctl.formats.systemd_unit import format_unit, parse_unit, unit_name, with_setting
from tests.formats.systemd_dump import dump_of, open_folder_in

pytestmark = pytest.mark.formats

CHARACTERS = st.characters(exclude_characters="\0", exclude_categories=["Cs"]) | st.sampled_from(
    "/ .-\\%\"'#_:@\t\n\udc80"
)
PATHS = st.text(CHARACTERS, min_size=1, max_size=20).map("/{}".format)


@pytest.mark.parametrize(
    ("path", "name"),
    [
        # systemd.unit(5) and systemd-escape(1): their own examples.
        ("/foo//bar/baz/", "foo-bar-baz.mount"),
        ("/tmp//waldi/foobar/", "tmp-waldi-foobar.mount"),
        ("/", "-.mount"),
        # systemd-escape --path --suffix=mount, of systemd 252.
        ("/mnt/network backup", r"mnt-network\x20backup.mount"),
        ("/mnt/network-backup", r"mnt-network\x2dbackup.mount"),
        ("/.hidden", r"\x2ehidden.mount"),
    ],
)
def test_names(path: str, name: str) -> None:
    assert unit_name(path, "mount") == name


@settings(max_examples=10)
@given(st.lists(PATHS, min_size=1, max_size=40))
def test_names_of_any_path(paths: list[str]) -> None:
    if shutil.which("systemd-escape") is None:
        pytest.skip("needs systemd-escape")
    ours = {}
    for path in paths:
        try:
            ours[path] = unit_name(path, "automount")
        except UsageError:
            assert {".", ".."} & set(path.split("/"))
    if ours:
        # systemd-escape prints the names of several paths with a space between, and no name holds one.
        told = subprocess.run(
            ["systemd-escape", "--path", "--suffix=automount", "--", *map(os.fsencode, ours)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert told.stdout.split() == list(ours.values())


def test_a_name_that_is_too_long() -> None:
    # systemd.unit(5): "The total length of the unit name including the suffix must not exceed 255 characters."
    assert len(unit_name("/" + "a" * 249, "mount")) == 255
    with pytest.raises(UsageError, match="too long"):
        unit_name("/" + "a" * 250, "mount")


def units_of(what: str, where: str, options: str) -> tuple[dict[str, str], str]:
    mount = {"What": what, "Where": where, "Type": "cifs", "Options": options, "TimeoutSec": "30s"}
    text = format_unit({"Unit": {"Description": "A share, 100 %"}, "Mount": mount})
    return mount, text


def dumped(folder: Path, unit: str) -> dict[str, str]:
    """The settings of a mount as systemd understood them."""
    block = dump_of(folder, unit)
    return dict(re.findall(r"^\t\t([\w ]+): (.*)$", block, re.MULTILINE))


@pytest.fixture
def open_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that anybody may write to."""
    return open_folder_in(tmp_path_factory.mktemp("units"))


def test_systemd_reads_what_was_meant(open_folder: Path) -> None:
    what, where, options = "//nas/Back ups\\c\"q'100%e#h;i", "/mnt/x y\\c\"q'100%e#f", "credentials=/etc/b c,uid=0,x=%i"
    mount, text = units_of(what, where, options)
    unit = unit_name(where, "mount")
    path = open_folder / unit
    path.write_text(text)
    verified = subprocess.run(["systemd-analyze", "verify", path], capture_output=True, text=True, check=False)
    # It exits with 0 on what it ignores, so any message counts.
    assert (verified.returncode, verified.stderr) == (0, "")
    told = dumped(open_folder, unit)
    assert [told[name] for name in ("What", "Where", "File System Type", "Options", "TimeoutSec")] == [
        mount[name] for name in ("What", "Where", "Type", "Options", "TimeoutSec")
    ]
    assert told["Description"] == "A share, 100 %"
    assert parse_unit(text) == {"Unit": {"Description": "A share, 100 %"}, "Mount": mount}


VALUES = st.text(CHARACTERS, min_size=1, max_size=20)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(VALUES.map("//nas/{}".format), VALUES)
def test_any_value_is_read_as_meant_or_refused(open_folder: Path, what: str, options: str) -> None:
    try:
        mount, text = units_of(what, "/mnt/nas", options)
    except UsageError:
        return
    (open_folder / "mnt-nas.mount").write_text(text)
    told = dumped(open_folder, "mnt-nas.mount")
    assert (told["What"], told["Options"]) == (what, options)
    assert parse_unit(text)["Mount"] == mount


def test_a_unit_as_people_write_it(open_folder: Path) -> None:
    text = (
        "# by hand\n[Mount]\nWhat=//a/b\nWhat = //a/c \n; more\nWhere=/mnt/x\0Where=/mnt/nas\n"
        "  Options=uid=0,\\\n# a comment between\n  gid=%%\nnonsense\n[Install]\n"
    )
    (open_folder / "mnt-nas.mount").write_text(text)
    told = dumped(open_folder, "mnt-nas.mount")
    expected = {"What": told["What"], "Where": "/mnt/nas", "Options": told["Options"]}
    assert (told["What"], told["Options"].split()) == ("//a/c", ["uid=0,", "gid=%"])
    assert parse_unit(text) == {"Mount": expected, "Install": {}}


def test_one_setting_is_replaced_where_it_stands() -> None:
    text = "# What=//a/b\n[Unit]\nWhat=x\n[Mount]\n What = //a/b  \nWhatever=1\n\n[Install]\nWhat=y"
    after = with_setting(text, "Mount", "What", "//nas/100 % b")
    assert after == text.replace(" What = //a/b  ", "What=//nas/100 %% b")
    assert parse_unit(after)["Mount"]["What"] == "//nas/100 % b"


@pytest.mark.parametrize("text", ["", "[Mount]\nWhere=/a\n", "[Mount]\nWhat=a\nWhat=b\n", "[Mount]\nWhat=a\\\nb\n"])
def test_a_setting_that_does_not_stand_in_one_line(text: str) -> None:
    with pytest.raises(UsageError, match="in one line"):
        with_setting(text, "Mount", "What", "x")
