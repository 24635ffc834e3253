"""`share plan --apply` on a made-up system: findmnt(8) checks the table, and either all is written or nothing."""

from __future__ import annotations

import json
import os
import stat
import subprocess
from pathlib import Path

import pytest

from tests.formats import mntent
from tests.made_up_system import FSTAB, MadeUpSystem, make
from tests.program import Ended, backupctl

pytestmark = pytest.mark.formats

PASSWORD = "quiet fern, 7%"


@pytest.fixture
def system(tmp_path: Path) -> MadeUpSystem:
    return make(tmp_path)


def plan(system: MadeUpSystem, *words: str | Path, mount: str = "net share", code: int | None = 0) -> Ended:
    secret = system.root.parent / "secret"
    secret.write_text(f"{PASSWORD}\n")
    secret.chmod(0o600)
    account = () if "--guest" in words or "nfs" in words else ("--user", "mill", "--password-file", secret)
    ended = backupctl(
        None, "share", "plan", "--root", system.root, "--server", "nas.lan", "--path", "Back ups", *account,
        "--mount", system.mounts / mount, *words, code=code,
    )  # fmt: skip
    assert PASSWORD not in ended.out + ended.err
    return ended


def credentials(system: MadeUpSystem) -> Path:
    (found,) = (system.root / "etc/backupctl").iterdir()
    return found


def test_showing_writes_nothing(system: MadeUpSystem) -> None:
    before = system.everything()
    assert "Nothing was written." in plan(system).out
    assert plan(system, "--json").json["applied"] is False
    assert system.everything() == before
    assert list(system.mounts.iterdir()) == []


def test_the_line_the_credentials_and_the_old_table(system: MadeUpSystem) -> None:
    shown = plan(system, "--json").json
    told = plan(system, "--apply", "--json").json
    assert system.fstab.read_text() == f"{FSTAB}{shown['fstab_line']}\n"
    entry = mntent.read(system.fstab)[-1]
    assert (entry.source, entry.mount_point) == ("//nas.lan/Back ups", str(system.mounts / "net share"))
    assert stat.S_IMODE(system.fstab.stat().st_mode) == 0o640  # as it was
    assert Path(told["kept"]).read_text() == FSTAB
    assert stat.S_IMODE(Path(told["kept"]).stat().st_mode) == 0o600  # it may hold a password
    # mount.cifs(8), credentials=: username= and password=, each on a line.
    assert credentials(system).read_text() == f"username=mill\npassword={PASSWORD}\n"
    assert stat.S_IMODE(credentials(system).stat().st_mode) == 0o600
    assert f"credentials=/{credentials(system).relative_to(system.root)}" in entry.options
    assert subprocess.run(["findmnt", "--verify", "--tab-file", system.fstab], check=False).returncode == 0
    assert (system.mounts / "net share").is_dir()


def test_a_second_time_replaces_the_line(system: MadeUpSystem) -> None:
    plan(system, "--apply")
    again = plan(system, "--apply", "--json").json
    assert again["kept"] is None  # nothing to write
    assert again["replaces_line"] == 3
    changed = plan(system, "--apply", "--seal", "--json").json
    lines = system.fstab.read_text().splitlines()
    assert [line for line in lines if "nas.lan" in line] == [changed["fstab_line"]]
    assert ",seal," in changed["fstab_line"]
    plan(system, "--apply")
    assert [path.name for path in sorted(system.fstab.parent.glob("fstab.*"))] == [f"fstab.old-{n}" for n in (1, 2, 3)]


def test_units_are_written_and_enabled(system: MadeUpSystem) -> None:
    shown = plan(system, "--units", "--json").json
    plan(system, "--units", "--apply")
    assert system.fstab.read_text() == FSTAB
    texts = {f"/{path.relative_to(system.root)}": path.read_text() for path in system.units.glob("*mount")}
    assert texts == {file["path"]: file["text"] for file in shown["files"] if "systemd" in file["path"]}
    # systemd.unit(5), [Install]: WantedBy=multi-user.target is a link in multi-user.target.wants.
    (link,) = (system.units / "multi-user.target.wants").iterdir()
    assert link.is_symlink()
    assert link.name.endswith(r"net\x20share.automount")
    assert stat.S_IMODE(credentials(system).stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda s: s.fstab.write_text(f"{FSTAB}LABEL=x /no/such/place ext4 rw 0 2\n"), "/etc/fstab as it is"),
        (lambda s: s.fstab.write_text(f"{FSTAB}//nas/Back ups /mnt cifs guest 0 0\n"), "parse error at line 3"),
        (lambda s: s.mountinfo.write_text("27 1 0:9 / / rw - overlay overlay rw,lowerdir=/a\n"), "an overlay"),
        (lambda s: s.mountinfo.write_text("27 1 0:9 / / rw - tmpfs tmpfs rw\n"), "in memory"),
        (lambda s: (s.mounts / "net share").mkdir() or (s.mounts / "net share/x").touch(), "holds files"),
        (lambda s: (s.mounts / "net share").symlink_to("/mnt"), "is no folder"),
        (lambda s: s.fstab.write_text(f"//a/b {s.mounts}/net\\040share cifs\n" * 2), "lines 1 and 2"),
        (lambda s: s.fstab.rename(s.root / "tab") and s.fstab.symlink_to(s.root / "tab"), "symbolic link"),
    ],
    ids=["target missing", "unescaped space", "overlay", "memory", "files beneath", "link", "doubled", "linked table"],
)  # fmt: skip
def test_refusals_change_nothing(system: MadeUpSystem, spoil: object, said: str) -> None:
    assert callable(spoil)
    spoil(system)
    before, mounts = system.everything(), sorted(system.mounts.iterdir())
    ended = plan(system, "--apply", code=3)
    assert said in ended.err
    assert system.everything() == before
    assert sorted(system.mounts.iterdir()) == mounts


def test_a_line_and_a_unit_for_one_place(system: MadeUpSystem) -> None:
    plan(system, "--apply")
    before = system.everything()
    assert "line 3" in plan(system, "--apply", "--units", code=3).err
    assert system.everything() == before
    system.fstab.write_text(FSTAB)
    plan(system, "--apply", "--units")
    assert "stronger than a line of fstab" in plan(system, "--apply", code=3).err


def test_a_table_that_is_not_there_is_made(system: MadeUpSystem) -> None:
    system.fstab.unlink()
    assert plan(system, "--apply", "--json").json["kept"] is None
    assert len(mntent.read(system.fstab)) == 1
    assert stat.S_IMODE(system.fstab.stat().st_mode) == 0o644


def test_a_guest_is_warned_about(system: MadeUpSystem) -> None:
    ended = plan(system, "--guest", "--apply", code=4)
    assert "A guest share lets everybody" in ended.out
    assert not (system.root / "etc/backupctl").exists()
    assert "guest" in mntent.read(system.fstab)[-1].options


def test_nfs(system: MadeUpSystem) -> None:
    told = plan(system, "--protocol", "nfs", "--apply", "--json").json
    entry = mntent.read(system.fstab)[-1]
    assert (entry.source, entry.fstype) == ("nas.lan:/Back ups", "nfs")
    # nfs(5): soft "can cause silent data corruption"; uid= and the like are options of cifs.
    assert "hard" in entry.options
    assert not [option for option in entry.options if option.startswith(("uid=", "credentials=", "vers="))]
    assert told["files"] == []


def test_files_of_a_share_that_is_mounted_are_in_nobodys_way(system: MadeUpSystem) -> None:
    (system.mounts / "net share").mkdir()
    (system.mounts / "net share/share.json").touch()
    assert "holds files" in plan(system, "--apply", code=3).err
    system.mount("//old/x", system.mounts / "net share")
    plan(system, "--apply")


def test_a_missing_helper_is_named(system: MadeUpSystem) -> None:
    (system.root / "sbin/mount.cifs").unlink()
    (warning,) = plan(system, "--json", code=4).json["warnings"]
    assert "apt install cifs-utils" in warning


def test_a_password_is_asked_for_or_refused(system: MadeUpSystem) -> None:
    words: list[str | Path] = ["--server", "nas", "--path", "x", "--mount", system.mounts / "nas", "--user", "mill"]
    before = system.everything()
    ended = backupctl(None, "share", "plan", "--root", system.root, *words, "--apply", code=2)
    assert "which password?" in ended.err
    for text in ("", "two\nlines\n", "x" * 5000, " begins with a space"):
        (system.root.parent / "p").write_text(text)
        spoilt: list[str | Path] = ["--password-file", system.root.parent / "p", "--apply"]
        ended = backupctl(None, "share", "plan", "--root", system.root, *words, *spoilt, code=2)
        assert not text or text.strip()[:9] not in ended.err
    assert system.everything() == before


def test_others_may_not_write_there(system: MadeUpSystem) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to become somebody else")
    from tests.system import command_line

    system.fstab.chmod(0o644)
    made = (folder for folder in system.root.parents if folder.parent not in (folder, Path("/")))
    for folder in made:
        folder.chmod(0o755)
    words = f"share plan --root {system.root} --server nas --path x --mount /mnt/x --guest".split()
    shown = command_line.backupctl(*words, "--json", cwd=Path("/"), as_nobody=True)
    refused = command_line.backupctl(*words, "--apply", cwd=Path("/"), as_nobody=True)
    assert (json.loads(shown.out)["source"], shown.code) == ("//nas/x", 4)
    assert (refused.code, "only root" in refused.err) == (3, True)
