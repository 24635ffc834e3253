"""`share check`: what it says of tables, credentials and mounts, each with one thing wrong."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.operations.progress import Quiet
from backupctl.operations.shares.share_apply import Account, apply_plan
from backupctl.operations.shares.share_check import check_shares, is_fine
from backupctl.operations.shares.share_identity import Identity, identity_at, remember
from backupctl.operations.shares.share_plan import ShareWish, plan_share
from backupctl.share.shelf import adopt_share
from tests.made_up_system import MadeUpSystem, make
from tests.program import backupctl
from tests.system.command_line import too_wide
from tests.system.loop_device import need, tool
from tests.system.test_abandonable import that_never_mounts

pytestmark = pytest.mark.system

SOURCE = "//nas.lan/Back ups"


@pytest.fixture
def system(tmp_path: Path) -> Iterator[MadeUpSystem]:
    """As `share plan --apply` leaves it, and mounted."""
    need("findmnt", "mount")
    system = make(tmp_path)
    nas = system.mounts / "nas"
    apply_plan(plan_share(ShareWish("nas.lan", "Back ups", str(nas), user="mill")), Account("mill", "x"), system.root)
    with mounted_as(system, SOURCE, nas):
        adopt_share(nas, same_machine=True, made="2026-12-01T02:00:00+01:00")
        yield system


@contextmanager
def mounted_as(system: MadeUpSystem, source: str, folder: Path) -> Iterator[None]:
    """A real mount, and the kernel's own table of mounts, in which it is said to be of the SMB share `source`."""
    folder.mkdir(exist_ok=True)
    tool("mount", "-t", "tmpfs", "-o", "mode=700,uid=0,gid=0", "stand-in", folder)
    try:
        table = Path("/proc/self/mountinfo").read_text()
        escaped = source.replace(" ", r"\040")
        system.mountinfo.write_text(table.replace("- tmpfs stand-in", f"- cifs {escaped}"))
        yield
    finally:
        tool("umount", folder)


def state(system: MadeUpSystem) -> Path:
    return system.root / "state"


def said(system: MadeUpSystem, seconds: float = 30) -> list[str]:
    result = check_shares(state(system), Quiet(), system.root, seconds)
    found = [fault for item in [*result["lines"], *result["shares"]] for fault in item["faults"]]
    assert is_fine(result) == (not found and bool(result["shares"]))
    assert all(fault["todo"] for fault in found)
    return [fault["what"] for fault in found]


def replace(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def table(system: MadeUpSystem, old: str, new: str) -> None:
    replace(system.fstab, old, new)


def the_credentials(system: MadeUpSystem) -> Path:
    (found,) = (system.root / "etc/backupctl").iterdir()
    return found


def test_what_the_plan_writes_is_fine(system: MadeUpSystem) -> None:
    assert said(system) == []
    ended = backupctl(None, "share", "check", "--root", system.root)
    assert "Nothing is wrong with it." in ended.out
    assert backupctl(None, "share", "check", "--root", system.root, "--json").json["shares"][0]["state"] == "mounted"


def test_units_that_the_plan_writes_are_fine(tmp_path: Path) -> None:
    need("systemctl", "mount")
    system = make(tmp_path)
    nas = system.mounts / "nas"
    wish = ShareWish("nas.lan", "Back ups", str(nas), user="mill", units=True)
    apply_plan(plan_share(wish), Account("mill", "x"), system.root)
    with mounted_as(system, SOURCE, nas):
        assert said(system) == []
        for link in (system.units / "multi-user.target.wants").iterdir():
            link.unlink()
        assert ["mounted by nobody" in what for what in said(system)] == [True]
        (unit,) = system.units.glob("*.mount")
        unit.rename(unit.with_name("nas.mount"))
        assert any("systemd ignores a unit of that name" in what for what in said(system))


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (r"Back\040ups", "Back ups", "a space in the name of the share, '//nas.lan/Back ups'"),
        (r"Back\040ups", '"Back ups"', "a space in the name of the share"),
        (r"//nas.lan/Back\040ups", '"//nas.lan/b"', "quotes are part of the name"),
        ("/nas cifs", "/n as cifs", "a space in the mount point"),
        ("nofail,", "", "nofail is missing"),
        ("x-systemd.automount,", "", "mounted once, at boot"),
        ("x-systemd.automount", "noauto", "mounted by nobody"),
        (" 0 0", " 0 2", "a check at boot"),
        ("credentials=", "username=mill,password=x,x=", "the password stands in the table"),
        ("credentials=", "username=mill%x,x=", "the password stands in the table"),
        ("credentials=", "x=", "no credentials"),
        ("credentials=", "guest,x=", "as a guest"),
        ("credentials=/etc", "credentials=/nowhere", "is missing"),
        ("credentials=", "credentials=/etc/fstab/x,x=", "is missing"),
        ("credentials=", rf"credentials=/{'x' * 300},x=", "cannot be read: File name too long"),
        ("credentials=", "username=mill, password=secret-fern,x=", "field 5 is not a number"),
        ("cifs", "nfs4", "mount.nfs4 is not installed"),
        ("nas.lan", "other.lan", "another share, //nas.lan/Back ups"),
    ],
)  # fmt: skip
def test_one_thing_wrong_in_the_table(system: MadeUpSystem, old: str, new: str, expected: str) -> None:
    table(system, old, new)
    told = said(system)
    assert [what for what in told if expected in what], told
    assert "secret-fern" not in " ".join(told)
    # What is not listed any more is mounted by hand, as far as one can see.
    assert len([what for what in told if "by hand" not in what]) == 1, told


def test_a_name_of_a_server_with_a_password_is_not_repeated(system: MadeUpSystem) -> None:
    table(system, "//nas.lan/", "//mill:secret-fern@nas.lan/")
    ended = backupctl(None, "share", "check", "--root", system.root, code=4)
    assert "//...@nas.lan/Back ups" in ended.out
    assert "secret-fern" not in ended.out + ended.err


def test_lines_for_other_things_are_none_of_its_business(system: MadeUpSystem) -> None:
    more = "/dev/sda1 /mnt/x ext4 rw # was nfs\n# //nas/Back ups /mnt cifs\n/dev/sda2 /mnt/y ext4 rw 0 2 # not cifs\n"
    system.fstab.write_text(system.fstab.read_text() + more)
    assert said(system) == []


def test_two_tables_for_one_place(system: MadeUpSystem) -> None:
    system.fstab.write_text(system.fstab.read_text() + system.fstab.read_text().splitlines()[-1] + "\n")
    assert ["is for the same mount point" in what for what in said(system)] == [True, True]


def test_others_read_the_credentials(system: MadeUpSystem) -> None:
    the_credentials(system).chmod(0o644)
    assert ["others can read the password" in what for what in said(system)] == [True]
    the_credentials(system).chmod(0o600)
    os.chown(the_credentials(system), 1000, 0)
    assert ["belongs to user 1000" in what for what in said(system)] == [True]
    os.chown(the_credentials(system), 0, 0)
    the_credentials(system).write_text("mill\n")
    assert ["does not name a user and a password" in what for what in said(system)] == [True]


def test_who_else_reads_the_captures(system: MadeUpSystem) -> None:
    (system.mounts / "nas").chmod(0o755)
    assert ["all users of this machine" in what for what in said(system)] == [True]
    (system.mounts / "nas").chmod(0o700)
    os.chown(system.mounts / "nas", 1000, 0)
    assert ["belongs to user 1000" in what for what in said(system)] == [True]


@pytest.mark.parametrize("there", ["ext4", "autofs"])
def test_not_mounted_and_files_in_the_mount_point(system: MadeUpSystem, there: str) -> None:
    # An automount shows as autofs until something looks into it; here nothing mounts even then.
    replace(system.mountinfo, "- cifs", f"- {there}")
    told = said(system)
    assert [words in what for words, what in zip(("not mounted", "holds files"), told, strict=True)] == [True, True]
    assert "share.json" in told[1]


def test_mounted_read_only(system: MadeUpSystem) -> None:
    replace(system.mountinfo, "nas rw,", "nas ro,")
    assert ["mounted read-only" in what for what in said(system)] == [True]
    table(system, "cifs ", "cifs ro,")
    assert said(system) == []


def test_mounted_by_hand(system: MadeUpSystem) -> None:
    system.fstab.write_text("")
    assert ["by hand" in what for what in said(system)] == [True]


def test_files_beneath_the_mount(tmp_path: Path) -> None:
    need("mount")
    system = make(tmp_path)
    nas = system.mounts / "net share"
    nas.mkdir()
    (nas / "card of July.img").touch()
    with mounted_as(system, SOURCE, nas):
        (nas / "on the share").touch()
        assert "beneath the mount lie files of this machine: card of July.img" in said(system)


def test_another_share_in_its_place(system: MadeUpSystem) -> None:
    nas = system.mounts / "nas"
    found = identity_at(nas)
    assert found is not None
    remember(state(system), nas, found)
    assert said(system) == []
    remember(state(system), nas, Identity("0" * 32, None))
    assert ["and was share 00000000" in what for what in said(system)] == [True]
    (nas / "share.json").write_text("{}")
    assert any("mark cannot be read" in what for what in said(system))


def test_a_lost_server(system: MadeUpSystem) -> None:
    # On top of what is mounted.
    with that_never_mounts(system.mounts / "nas"):
        began = time.monotonic()
        (what,) = said(system, seconds=1)
        assert "the server is lost" in what
        assert time.monotonic() - began < 10


def test_nothing_at_all(tmp_path: Path) -> None:
    system = make(tmp_path)
    ended = backupctl(None, "share", "check", "--root", system.root, code=4)
    assert "No network share" in ended.out


def test_it_fits_the_terminal(system: MadeUpSystem) -> None:
    for old, new in ((r"Back\040ups", "b"), ("nofail,", ""), (" 0 0", " 0 2"), ("x-systemd.automount,", "")):
        table(system, old, new)
    ended = backupctl(None, "share", "check", "--root", system.root, code=4)
    assert [line for line in too_wide(ended.out) if str(system.mounts) not in line] == []
