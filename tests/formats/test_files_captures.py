"""Captures of folders: files picked out of them, against the folders themselves."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.files_shelf import all_of, make_share, put_capture, share_of_folder
from tests.program import backupctl, here
from tests.real_tree import make_tree
from tests.shelf_of_card import flip
from tests.tar_archives import make_archive

pytestmark = [
    pytest.mark.formats,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for the owners and devices"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_tree(tmp_path_factory.mktemp("folder"), 60)
    (folder / "etc" / "outside").symlink_to("../../../../../../etc/shadow")
    os.setxattr(folder / "odd" / "length 100", "user.note", b"kept")
    folder.chmod(0o755)
    return folder


@pytest.fixture(scope="module")
def share(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return share_of_folder(folder, tmp_path_factory.mktemp("share"))


def test_files_and_folders_are_picked(folder: Path, share: Path, tmp_path: Path) -> None:
    done = backupctl(share, "pick", "newest", "/odd", tmp_path / "odd", "--special", "--json").json
    assert done["picked"]["unset"] == {}
    assert all_of(tmp_path / "odd") == all_of(folder / "odd")
    assert (tmp_path / "odd" / "sparse").stat().st_blocks * 512 < 1 << 20
    numbers = {(tmp_path / "odd" / name).stat().st_ino for name in ("linked", "in pieces")}
    assert len(numbers) == 1

    one = sorted(path for path in (folder / "etc").rglob("*") if path.is_file() and not path.is_symlink())[0]
    name = f"/{one.relative_to(folder)}"
    done = backupctl(share, "pick", "newest", name, tmp_path / "one", "--json").json
    assert (tmp_path / "one").read_bytes() == one.read_bytes()
    assert done["segments_read"] <= 2
    many = backupctl(share, "pick", "newest", "/etc/*", tmp_path, "--dry-run", "--json").json
    assert {item["path"] for item in many["items"]} == {f"/etc/{path.name}" for path in (folder / "etc").glob("[!.]*")}
    assert "leads to nothing" in backupctl(share, "pick", "newest", "/etc/outside", tmp_path / "link").out
    assert backupctl(share, "pick", "newest", name, tmp_path / "two", "--partition", "1", code=2).err


def test_without_its_list_the_archive_itself_is_read(folder: Path, share: Path, tmp_path: Path) -> None:
    damaged = make_share(tmp_path / "share")
    capture = put_capture(damaged, make_archive(folder / "odd", tmp_path / "odd.tar"))
    members = damaged / "boards" / "shed" / "captures" / capture / "members.0.tsv.zst"
    for harm in ("damaged", "lost"):
        if harm == "damaged":
            flip(members, 700)
        else:
            members.unlink()
        done = backupctl(damaged, "pick", "newest", "/linked", tmp_path / harm, code=4)
        assert "archive was read through" in " ".join(done.out.split())
        assert (tmp_path / harm).read_bytes() == (folder / "odd" / "linked").read_bytes()


def test_when_a_file_changed(tmp_path: Path) -> None:
    share, folder = make_share(tmp_path / "share"), tmp_path / "folder"
    folder.mkdir()
    for number, text in enumerate(("one\n", "one\n", "two\n"), 1):
        (folder / "list").write_text(text)
        os.utime(folder / "list", ns=(0, 10**18))
        (folder / "other").write_text(str(number))
        put_capture(share, make_archive(folder, tmp_path / f"{number}.tar"), number)
    found = here(share, "pick", "--when-changed", "/list", "--json").json
    assert [change["what"] for change in found["changes"]] == [["content"]]
    assert found["changes"][0]["diff"][-2:] == ["-one", "+two"]
    assert len(found["versions"]) == 3
