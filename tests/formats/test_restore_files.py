"""Captures of files, restored: against GNU tar, getfattr, getfacl and stat, and against archives that lie."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from backupctl.domain.members import Member
from backupctl.operations.restoring import restore_files  # noqa: F401 - an ordinary user may not read where it is
from tests.card_images import run
from tests.files_shelf import Altered, all_of, make_share, put_capture, share_of_folder
from tests.program import backupctl, here
from tests.real_tree import described, make_tree
from tests.shelf_of_card import flip
from tests.tar_archives import make_archive

pytestmark = [
    pytest.mark.formats,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for the owners and devices"),
]
NOBODY = 65534


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_tree(tmp_path_factory.mktemp("folder"), 60)
    odd = folder / "odd"
    for name in ("length 100", "many", "console", "link 1", "pipe"):
        os.setxattr(odd / name, "trusted.note", b"kept\0", follow_symlinks=False)
    (odd / "again").hardlink_to(odd / "link 900")
    os.setxattr(odd / "length 100", "user.a=b%c", b"")
    (folder / "closed").mkdir(mode=0o700)
    os.chown(folder / "closed", 1234, 1235)
    (folder / "closed" / "key").write_text("secret")
    os.utime(folder / "closed", ns=(0, 987_654_321_123_456_789))
    os.utime(folder, ns=(0, 1_234_567_890_123_456_789))
    folder.chmod(0o750)
    return folder


@pytest.fixture(scope="module")
def share(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return share_of_folder(folder, tmp_path_factory.mktemp("share"))


def told_of(folder: Path) -> list[str]:
    """By tools that share no code with the package: stat(1) in nanoseconds, getfattr(1), getfacl(1)."""
    said = []
    for command in (
        ("find", ".", "-exec", "stat", "-c", "%n %f %u %g %s %.Y %t:%T %N", "{}", "+"),
        ("getfattr", "-R", "-P", "-h", "-d", "-m", "-", "-e", "hex", "."),
        ("getfacl", "-R", "-P", "-n", "."),
    ):
        done = subprocess.run(command, cwd=folder, capture_output=True, check=True, env={**os.environ, "LC_ALL": "C"})
        said += sorted(done.stdout.decode(errors="surrogateescape").split("\n\n" if command[0] != "find" else "\n"))
    folders = subprocess.run(["find", ".", "-type", "d", "-printf", "%p %s\n"], cwd=folder, capture_output=True)
    lines = {line.rpartition(b" ")[0].decode(errors="surrogateescape") for line in folders.stdout.splitlines()}
    # The size of a folder is the file system's own affair.
    return [line for line in said if line.split(" 4")[0] not in lines]


def test_a_folder_comes_back_exactly(folder: Path, share: Path, tmp_path: Path) -> None:
    mounted = tmp_path / "mounted"
    (mounted / "lost+found").mkdir(parents=True)
    for target in (tmp_path / "new", mounted):
        done = backupctl(share, "restore", "newest", target, "--yes", "--json").json
        assert done["picked"]["unset"] == {}
        assert done["picked"]["skipped"] == []
        shutil.rmtree(target / "lost+found", ignore_errors=True)
        os.utime(target, ns=(0, folder.stat().st_mtime_ns))  # which removing that has changed
        assert all_of(target) == all_of(folder)
        assert told_of(target) == told_of(folder)
        assert (target / "odd" / "sparse").stat().st_blocks == (folder / "odd" / "sparse").stat().st_blocks
        for names in (("linked", "in pieces"), ("again", "link 900")):
            assert len({(target / "odd" / name).lstat().st_ino for name in names}) == 1
    assert (tmp_path / "new").stat().st_mtime_ns == 1_234_567_890_123_456_789
    archive, new = share.parent / "folder.tar", tmp_path / "new"
    run("tar", "--compare", "--xattrs", "--xattrs-include=*", "--acls", "-f", archive, "-C", new)
    assert list((share / "boards" / "shed" / "readers").iterdir()) == []


def test_nothing_is_overwritten_and_somebody_is_asked(share: Path, tmp_path: Path) -> None:
    assert "--yes" in backupctl(share, "restore", "newest", tmp_path / "new", code=3).err
    plan = backupctl(share, "restore", "newest", tmp_path / "new", "--dry-run", "--json").json
    assert (plan["restored"], plan["plan"]["target_description"]) == (False, "a new folder")
    (tmp_path / "mine").write_text("mine")
    for target in (tmp_path, tmp_path / "mine", tmp_path / "no" / "such"):
        assert backupctl(share, "restore", "newest", target, "--yes", code=3).err
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
    assert "--as-archive" in backupctl(share, "restore", "newest", tmp_path / "a.tar", code=2).err
    for option in ("--fill", "--shrink", "--new-identity"):
        assert here(share, "restore", "newest", tmp_path / "new", option).code == 2
    assert here(share, "restore", "newest", tmp_path / "new", "--size", "32 GB").code == 2


@contextmanager
def ordinary_user() -> Iterator[None]:
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


def test_an_ordinary_user_gets_what_can_be_done(folder: Path, share: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o777)
        shutil.copytree(share, place / "share")
        run("chmod", "-R", "a+rX", place / "share")
        here(place / "share", "list")
        here(place / "share", "restore", "newest", place / "none", "--dry-run")  # what is imported on the way is known
        with ordinary_user():
            done = here(place / "share", "restore", "newest", place / "mine", "--yes", "--json")
            shown = here(place / "share", "restore", "newest", place / "again", "--yes")
        assert (done.code, shown.code) == (4, 4)
        assert "you are not root" in shown.out
        unset = done.json["picked"]["unset"]
        assert unset["devices, not made"] == 2
        assert {"owners: they are yours now", "capabilities of programs", "set-user-ID and set-group-ID"} <= set(unset)
        for path in folder.rglob("*"):
            if described(path)[0] == "file":
                found = place / "mine" / path.relative_to(folder)
                assert found.read_bytes() == path.read_bytes()
                assert found.stat().st_mtime_ns == path.stat().st_mtime_ns
                assert not stat.S_IMODE(found.stat().st_mode) & ~stat.S_IMODE(path.stat().st_mode)


def test_the_archive_itself(share: Path, tmp_path: Path) -> None:
    original = share.parent / "folder.tar"
    backupctl(share, "restore", "newest", tmp_path / "a.tar", "--as-archive")
    run("cmp", original, tmp_path / "a.tar")
    backupctl(share, "restore", "newest", "--as-archive", tmp_path / "a.tar.zst")
    run("zstd", "-dq", "-o", tmp_path / "unpacked", tmp_path / "a.tar.zst")
    run("cmp", original, tmp_path / "unpacked")
    assert stat.S_IMODE((tmp_path / "a.tar").stat().st_mode) == 0o600
    assert "exists already" in backupctl(share, "restore", "newest", tmp_path / "a.tar", "--as-archive", code=3).err
    assert backupctl(share, "restore", "newest", tmp_path / "a.zip", "--as-archive", code=2).err


def test_the_newest_archive_where_a_card_is_newer(share: Path, tmp_path: Path) -> None:
    shutil.copytree(share, tmp_path / "share")
    with (tmp_path / "card.img").open("wb") as file:
        file.truncate(1 << 20)
    run("mkfs.ext4", "-q", tmp_path / "card.img")
    here(tmp_path / "share", "capture", "--board", "shed", "--source", tmp_path / "card.img", "--label", "card")
    assert "no archive" in here(tmp_path / "share", "restore", "card", tmp_path / "a.tar", "--as-archive").err
    backupctl(tmp_path / "share", "restore", "newest", tmp_path / "a.tar", "--as-archive")
    run("cmp", share.parent / "folder.tar", tmp_path / "a.tar")


def test_what_a_damaged_segment_held_is_lost_and_nothing_else(folder: Path, share: Path, tmp_path: Path) -> None:
    shutil.copytree(share, tmp_path / "share")
    part = max((tmp_path / "share" / "boards" / "shed" / "stock").glob("*.zst"), key=lambda path: path.stat().st_size)
    flip(part, part.stat().st_size // 2)
    verified = backupctl(tmp_path / "share", "verify", "--json", code=5).json
    hurt = {name for item in verified["damaged_captures"] for name in item["where"]}
    done = backupctl(tmp_path / "share", "restore", "newest", tmp_path / "rest", "--yes", "--json", code=5).json
    lost = {path for path, _ in done["picked"]["lost"]}
    assert lost
    assert lost <= hurt
    before, after = all_of(folder), all_of(tmp_path / "rest")
    missing = {f"/{name}" for name in before.keys() - after.keys()}
    assert all(any(path == one or path.startswith(f"{one}/") for one in lost) for path in missing)
    for name in after:
        assert before[name][:6] == after[name][:6] or "linked" in name or "in pieces" in name
    assert backupctl(tmp_path / "share", "restore", "newest", tmp_path / "a.tar", "--as-archive", code=5).err
    assert not (tmp_path / "a.tar").exists()


def lying(folder: Path, work: Path, old: bytes, new: bytes, altered: Altered = lambda members: members) -> Path:
    """A share with an archive in whose headers `new` stands for `old`, with sums that are right."""
    honest = make_archive(folder, work / "honest.tar")
    raw = bytearray(honest.read_bytes())
    assert len(old) == len(new)
    at = raw.find(old)
    while old != new and at >= 0:
        raw[at : at + len(new)] = new
        head = at // 512 * 512
        total = sum(raw[head : head + 148]) + sum(raw[head + 156 : head + 512]) + 8 * 32
        raw[head + 148 : head + 156] = b"%06o\0 " % total
        at = raw.find(old, at + 1)
    (work / "lying.tar").write_bytes(raw)
    share = make_share(work / "share")
    put_capture(share, work / "lying.tar", altered=altered, honest=honest)
    return share


def changed(name: bytes, **changes: object) -> Altered:
    """A list in which a member is another one."""

    def alter(members: list[Member]) -> list[Member]:
        return [replace(one, **changes) if one.path == name else one for one in members]  # type: ignore[arg-type]

    return alter


SAME = b"./folder"
CASES = {
    "an absolute name": (b"./folder/file", b"/etc/xx/file1", changed(b"")),
    "a way out of the folder": (b"./folder/file", b"./../../file1", changed(b"")),
    "a hard link out of the folder": (b"./folder/file", b"./../../filex", changed(b"")),
    "another owner than in the list": (SAME, SAME, changed(b"folder/file", user=0, group=7)),
    "a hard link to what a link leads to": (SAME, SAME, changed(b"hard", target=b"out/file")),
    "a hard link to a folder": (SAME, SAME, changed(b"hard", target=b"folder")),
    "a file within a link": (SAME, SAME, changed(b"folder", kind="link", target=b"/")),
    "the headers of another member": (SAME, SAME, changed(b"secret", offset=512)),
    "contents beyond the end": (SAME, SAME, changed(b"folder/file", size=1 << 40, stored_bytes=1 << 40)),
}


@pytest.mark.parametrize("case", CASES)
def test_no_capture_writes_outside_its_folder(case: str, tmp_path: Path) -> None:
    """Whatever it says, nothing beside the target changes, and no wrong owner or mode is set."""
    folder, victim = tmp_path / "source", tmp_path / "victim"
    victim.mkdir()
    (victim / "file").write_text("mine")
    before = all_of(victim)
    (folder / "folder").mkdir(parents=True)
    (folder / "folder" / "file").write_text("evil")
    (folder / "hard").hardlink_to(folder / "folder" / "file")
    (folder / "out").symlink_to(victim)
    (folder / "secret").write_text("s")
    (folder / "secret").chmod(0o600)
    share = lying(folder, tmp_path, *CASES[case])
    names = set(tmp_path.iterdir())
    ended = here(share, "restore", "newest", tmp_path / "got", "--yes")
    assert ended.code in (4, 5), ended
    assert all_of(victim) == before
    assert set(tmp_path.iterdir()) - names <= {tmp_path / "got"}
    if (tmp_path / "got").exists():
        truth, got = all_of(folder), all_of(tmp_path / "got")
        assert all(truth[name][:4] == got[name][:4] for name in got if name not in ("", "."))
