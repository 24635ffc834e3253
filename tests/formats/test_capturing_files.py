"""Captures of files, by the program itself, unpacked and compared by GNU tar, bsdtar, getfattr, getfacl and sqlite3."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import stat
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from backupctl.board.tree_walk import Found
from backupctl.operations.capturing.member_making import opened
from tests.program import Ended, backupctl, command, environment, here
from tests.real_tree import make_tree
from tests.shelf_of_card import unpacked

pytestmark = [pytest.mark.formats, pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for owners and devices")]

EXACTLY = ("--numeric-owner", "--xattrs", "--xattrs-include=*", "--acls")
# After which a file that was changed before a capture counts as unchanged since: two seconds, and what a record's
# time of whole seconds leaves out.
SETTLED_SECONDS = 3.1


class Board:
    """A share with the shelf of a board, and a tree of files."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.share, self.tree = folder, folder / "share", folder / "tree"
        self.share.mkdir()
        backupctl(None, "share", "adopt", self.share, "--same-machine", "--board", "loom")

    @property
    def shelf(self) -> Path:
        return self.share / "boards" / "loom"

    def run(self, *options: str | Path, code: int | None = 0) -> Ended:
        words: list[str | Path] = ["capture", "--board", "loom", "--source", self.tree, "--json", *options]
        return backupctl(self.share, *words, code=code)

    def capture(self, *options: str | Path, code: int = 0) -> str:
        ended: dict[str, Any] = self.run(*options, code=code).json
        return str(ended["id"])

    def policy(self, text: str) -> list[str | Path]:
        path = self.folder / "policy.toml"
        path.write_text(text)
        return ["--policy", path]

    def record(self, capture: str) -> dict[str, Any]:
        return dict(json.loads((self.shelf / "captures" / capture / "record.json").read_text()))

    def archive(self, capture: str) -> Path:
        """Put together without the program."""
        path = self.folder / f"{capture}.tar"
        if path.exists():
            return path
        done = subprocess.run(
            ["sh", str(self.shelf / "rebuild.sh"), capture, str(path)], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        return path

    def contents(self, capture: str) -> list[list[str]]:
        lines = unpacked(self.shelf / "captures" / capture / "contents.0.tsv.zst").splitlines()
        return [line.split("\t") for line in lines if not line.startswith("#")]

    def names(self, capture: str) -> set[str]:
        listed = subprocess.run(["tar", "-tf", self.archive(capture)], capture_output=True, text=True, check=True)
        return {name.rstrip("/").removeprefix("./") for name in listed.stdout.splitlines()}


@pytest.fixture
def board(tmp_path: Path) -> Board:
    board = Board(tmp_path)
    board.tree.mkdir()
    return board


def compare(archive: Path, tree: Path) -> str:
    words = ["tar", "--compare", *EXACTLY, "-f", str(archive), "-C", str(tree)]
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout


def has_holes(path: Path) -> bool:
    found = path.lstat()
    return stat.S_ISREG(found.st_mode) and found.st_blocks * 512 < found.st_size


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Board, str]]:
    """A tree of this machine's own files with oddities of every kind, captured once."""
    board = Board(tmp_path_factory.mktemp("real"))
    make_tree(board.tree, 60)
    time.sleep(SETTLED_SECONDS)
    yield board, board.capture()


def test_gnu_tar_finds_no_difference(real: tuple[Board, str]) -> None:
    board, capture = real
    archive = board.archive(capture)
    assert compare(archive, board.tree) == ""
    # The control: one byte in one file.
    copy = board.folder / "copy"
    subprocess.run(["cp", "-a", board.tree, copy], check=True)
    victim = next(path for path in sorted(copy.rglob("*")) if path.is_file() and path.stat().st_size > 100)
    with victim.open("r+b") as file:
        file.write(b"\0other")
    assert str(victim.relative_to(copy)) in compare(archive, copy)
    shutil.rmtree(copy)


def test_unpacked_by_tar_it_is_the_tree(real: tuple[Board, str]) -> None:
    """By what stat(2), getfattr(1) and getfacl(1) say of every name, with times in nanoseconds, and holes."""
    board, capture = real
    into = board.folder / "unpacked"
    into.mkdir()
    subprocess.run(["tar", *EXACTLY, "-xpf", str(board.archive(capture)), "-C", str(into)], check=True)
    for program in (
        ["find", ".", "-printf", r"%p %y %m %U %G %s %n %T@ %l\0"],
        ["sh", "-c", "find . -print0 | LC_ALL=C sort -z | xargs -0 getfattr -h -d -m - --absolute-names -e hex --"],
        ["sh", "-c", "find . -print0 | LC_ALL=C sort -z | xargs -0 getfacl -npP --"],
    ):
        said, wanted = (
            subprocess.run(program, cwd=place, capture_output=True, check=True).stdout for place in (into, board.tree)
        )
        assert sorted(said.split(b"\0")) == sorted(wanted.split(b"\0"))
    holes = [path.relative_to(board.tree) for path in board.tree.rglob("*") if has_holes(path)]
    assert holes
    assert [path for path in holes if not has_holes(into / path)] == []
    listed = subprocess.run(["bsdtar", "-tf", board.archive(capture)], capture_output=True, check=True).stdout
    assert len(listed.splitlines()) == len(list(board.tree.rglob("*"))) + 1


@pytest.mark.parametrize("shell", ["dash", "busybox"])
def test_the_script_writes_into_a_pipe(real: tuple[Board, str], shell: str) -> None:
    board, capture = real
    words = [*(["busybox", "sh"] if shell == "busybox" else [shell]), str(board.shelf / "rebuild.sh"), capture, "-"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as script:
        compared = subprocess.run(
            ["tar", "--compare", *EXACTLY, "-f", "-", "-C", str(board.tree)], stdin=script.stdout, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
    assert (script.returncode, compared.returncode, compared.stdout) == (0, 0, "")


def test_a_second_one_reads_nothing_and_is_the_same(real: tuple[Board, str]) -> None:
    board, first = real
    second, third = board.capture(), board.capture("--reread")
    assert board.record(second)["read_bytes"] == board.record(second)["new_segments"] == 0
    assert board.record(third)["read_bytes"] > 0
    assert board.record(third)["new_segments"] == 0
    assert board.contents(first) == board.contents(second) == board.contents(third)


def test_a_change_costs_what_it_touches(real: tuple[Board, str]) -> None:
    board, _ = real
    before = board.contents(board.capture())
    places = sorted(path for path in board.tree.rglob("*") if stat.S_ISDIR(path.lstat().st_mode))
    place = places[len(places) // 3]
    (place / "a name that was not there").write_text("new\n")
    capture = board.capture()
    after = board.contents(capture)
    assert len({line[3] for line in after} - {line[3] for line in before}) <= 3
    assert compare(board.archive(capture), board.tree) == ""
    assert board.record(capture)["written_bytes"] < board.record(capture)["in_use_bytes"] / 20


def test_a_large_file_is_cut_at_fixed_places(board: Board) -> None:
    content = os.urandom(5 << 20)
    (board.tree / "large").write_bytes(content)
    first = board.contents(board.capture())
    with (board.tree / "large").open("r+b") as file:
        file.seek(3 << 20)
        file.write(b"changed")
    changed = board.capture()
    # The header, which has the time, and the one cell.
    assert len({line[3] for line in board.contents(changed)} - {line[3] for line in first}) == 2
    (board.tree / "before it").write_text("new")
    inserted = board.capture()
    assert board.record(inserted)["new_segments"] <= 2
    assert compare(board.archive(inserted), board.tree) == ""


def test_what_is_left_out(board: Board) -> None:
    for name in ("etc/keep", "cache/a", "cache/deep/wanted", "var/tagged/big", "srv/data/log.txt", "srv/data/x.tmp"):
        (board.tree / name).parent.mkdir(parents=True, exist_ok=True)
        (board.tree / name).write_text(name)
    # https://bford.info/cachedir/, from memory.
    (board.tree / "var/tagged/CACHEDIR.TAG").write_text("Signature: 8a477f597d28d172789f06886806bc55\n")
    (board.tree / "mounted").mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "none", board.tree / "mounted"], check=True)
    try:
        (board.tree / "mounted/inside").write_text("of another file system")
        options = board.policy(
            "[files]\nleave_out = ['/cache', '*.tmp']\ntake = ['/cache/deep/wanted']\nleave_out_tagged_caches = true\n"
        )
        capture = board.capture(*options)
    finally:
        subprocess.run(["umount", board.tree / "mounted"], check=True)
    wanted = {".", "cache", "cache/deep", "cache/deep/wanted", "etc", "etc/keep", "mounted", "srv", "srv/data"}
    assert board.names(capture) == wanted | {"srv/data/log.txt", "var", "var/tagged"}
    assert board.record(capture)["source"]["beneath"] == ["mounted"]
    shown = " ".join(backupctl(board.share, "show", capture).out.split())
    assert re.search(r" left out \d names by the policy, /mounted \(something else is mounted there\) ", shown), shown


def test_a_swap_file_in_use_is_left_out(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under any name; said by what /proc/swaps (proc(5)) would list."""
    for name in ("paging", "pager"):
        (board.tree / name).write_bytes(bytes(8192))
    monkeypatch.setattr("backupctl.board.block_device.swap_names", lambda: ["sda9", str(board.tree / "paging")])
    done = here(board.share, "capture", "--board", "loom", "--source", board.tree, "--json")
    assert board.names(done.json["id"]) == {".", "pager"}
    everything = board.policy("[files]\nleave_out_usual = false\n")
    done = here(board.share, "capture", "--board", "loom", "--source", board.tree, "--json", *everything)
    assert board.names(done.json["id"]) == {".", "pager", "paging"}


def test_roots_of_the_policy(board: Board) -> None:
    for name in ("one/a", "two/b", "three/c"):
        (board.tree / name).parent.mkdir(parents=True)
        (board.tree / name).write_text(name)
    options = board.policy(f"[capture]\nkind = 'files'\n[files]\nroots = ['{board.tree}/one', '{board.tree}/three']\n")
    done = backupctl(board.share, "capture", "--board", "loom", "--json", *options)
    below = str(board.tree).lstrip("/")
    above = {str(path) for path in Path(below).parents}
    assert board.names(done.json["id"]) == {
        *above,
        below,
        *(f"{below}/{each}" for each in ("one", "one/a", "three", "three/c")),
    }


def test_a_file_that_goes_on_changing_is_told_of(board: Board) -> None:
    (board.tree / "large").write_bytes(os.urandom(4 << 20))
    (board.tree / "quiet").write_text("as it is")
    ended = threading.Event()

    def go_on() -> None:
        while not ended.is_set():
            with (board.tree / "large").open("r+b") as file:
                file.write(os.urandom(64))

    writer = threading.Thread(target=go_on)
    writer.start()
    try:
        # Slowly, so that a busy machine comes to writing as well while it is read.
        done = board.run(*board.policy("[pace]\nrate = 4000000\n"), code=4)
    finally:
        ended.set()
        writer.join()
    assert done.json["warnings"] == ["1 file went on changing while it was read, and may be torn: /large"]
    assert done.json["state"] == "good"
    listed = subprocess.run(["tar", "-tf", board.archive(done.json["id"])], capture_output=True, text=True, check=True)
    assert listed.stdout.split() == ["./", "large", "quiet"]
    time.sleep(SETTLED_SECONDS)
    again = board.capture()  # torn ones are read again, although their times may be the same
    assert compare(board.archive(again), board.tree) == ""


def test_a_database_with_a_log_beside_it(board: Board) -> None:
    """What was committed is there, of one moment; SQLite's own check passes. The control: a copy without its log."""
    database = board.tree / "data" / "readings 100%.db"
    database.parent.mkdir()
    with closing(sqlite3.connect(database)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("PRAGMA wal_autocheckpoint = 0")
        writer.execute("CREATE TABLE reading (at INTEGER, value BLOB)")
        for number in range(300):
            writer.execute("INSERT INTO reading VALUES (?, ?)", (number, os.urandom(2000)))
        writer.commit()
        writer.execute("INSERT INTO reading VALUES (-1, x'00')")  # not committed
        before = {path.name: path.read_bytes() for path in database.parent.iterdir() if not path.name.endswith("-shm")}
        capture = board.capture(*board.policy("[quiesce]\nsqlite = true\n"))
        after = {path.name: path.read_bytes() for path in database.parent.iterdir() if not path.name.endswith("-shm")}
        shutil.copy(database, board.folder / "control.db")
    assert before == after
    assert board.names(capture) == {".", "data", "data/readings 100%.db"}
    subprocess.run(["tar", "-xpf", board.archive(capture), "-C", board.folder], check=True)
    with closing(sqlite3.connect(board.folder / "data" / "readings 100%.db")) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert copy.execute("SELECT count(*), min(at) FROM reading").fetchone() == (300, 0)
    with closing(sqlite3.connect(board.folder / "control.db")) as control, pytest.raises(sqlite3.Error):
        control.execute("SELECT count(*) FROM reading").fetchone()


@pytest.mark.parametrize("size", [100, 600_000])
@pytest.mark.parametrize("harm", ["gone", "another file"])
def test_a_link_outlives_the_name_that_it_was_found_by(
    board: Board, harm: str, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the walk and the reading the first of three names goes, or is given to another file."""
    first, content = board.tree / "a first", os.urandom(size)
    first.write_bytes(content)
    (board.tree / "beside").write_text("beside")
    for name in ("second", "third"):
        (board.tree / name).hardlink_to(first)
    (board.folder / "other").write_text("other")

    def harmed(found: Found) -> int:
        if found.name == b"a first" and (harm == "gone" or (board.folder / "other").exists()):
            first.unlink(missing_ok=True)
            if harm == "another file":
                (board.folder / "other").rename(first)
        return opened(found)

    monkeypatch.setattr("backupctl.operations.capturing.tree_reading.opened", harmed)
    done = here(board.share, "capture", "--board", "loom", "--source", board.tree, "--json")
    assert done.code == 0, done.err
    assert board.record(done.json["id"])["source"]["counts"]["vanished"] == (harm == "gone")
    assert compare(board.archive(done.json["id"]), board.tree) == ""
    subprocess.run(["tar", "-xpf", board.archive(done.json["id"]), "-C", board.folder], check=True)
    assert (board.folder / "second").read_bytes() == content
    assert (board.folder / "second").stat().st_ino == (board.folder / "third").stat().st_ino


def test_names_that_no_share_would_take(board: Board) -> None:
    """They stand within the archive only, so it does not matter. Reserved names and characters: [MS-FSCC], 2.1.5.

    Those of devices: Microsoft's "Naming Files, Paths, and Namespaces", from memory.
    """
    names = [*(f"a{sign}b" for sign in '"\\:|<>*?\x01\n'), "CON", "nul.txt", "ends in a dot.", "ends in a blank ",
             "Case", "case", "n" * 255, os.fsdecode(b"\xff\xfe")]  # fmt: skip
    for name in names:
        (board.tree / name).write_text(f"of {name!r}")
    done = board.run()
    assert done.json["warnings"] == []
    capture = done.json["id"]
    assert compare(board.archive(capture), board.tree) == ""
    for path in board.share.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}(?<!\.)", path.name), path
        assert path.name.split(".")[0].upper() not in ("CON", "PRN", "AUX", "NUL")
    backupctl(board.share, "restore", capture, board.folder / "back", "--board", "loom", "--yes")
    assert {path.name: path.read_text() for path in (board.folder / "back").iterdir()} == {
        name: f"of {name!r}" for name in names
    }


def test_hooks_are_undone_also_when_it_is_stopped(board: Board) -> None:
    marker = board.folder / "marker"
    options = board.policy(
        f"[hooks]\nbefore = ['touch', '{marker}']\nafter = ['rm', '{marker}']\n[pace]\nrate = 1000000\n"
    )
    (board.tree / "large").write_bytes(os.urandom(30 << 20))
    words = ["capture", "--board", "loom", "--source", str(board.tree), *map(str, options)]
    running = subprocess.Popen(command(*words), env=environment(board.share), stderr=subprocess.DEVNULL)
    for _ in range(300):
        if marker.exists():
            break
        time.sleep(0.1)
    assert marker.exists()
    running.terminate()
    assert running.wait(60) == 143
    assert not marker.exists()


def test_what_may_not_be_read_is_named_once(board: Board) -> None:
    """By a root without the capabilities that let it read everything (capabilities(7))."""
    for number in range(5):
        (board.tree / f"theirs-{number}").write_text("secret")
        (board.tree / f"theirs-{number}").chmod(0o600)
        os.chown(board.tree / f"theirs-{number}", 65534, 65534)
    (board.tree / "closed").mkdir(mode=0o700)
    os.chown(board.tree / "closed", 65534, 65534)
    (board.tree / "open").write_text("for all")
    without = "-dac_override,-dac_read_search"
    words = command("capture", "--board", "loom", "--source", board.tree, "--json")
    done = subprocess.run(
        ["setpriv", f"--bounding-set={without}", f"--inh-caps={without}", *words], env=environment(board.share),
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 4, done.stderr
    result = json.loads(done.stdout)
    denied = "(Permission denied): /"
    assert result["warnings"] == [
        f"5 names could not be captured {denied}theirs-0, /theirs-1, /theirs-2 and 2 more",
        f"1 folder could not be listed {denied}closed",
    ]
    assert board.names(result["id"]) == {".", "closed", "open"}


def test_what_it_would_take_is_told_beforehand(board: Board) -> None:
    for number in range(30):
        (board.tree / f"file {number}").write_bytes(os.urandom(100_000))
    time.sleep(SETTLED_SECONDS)
    first = board.run("--dry-run").json
    # Contents that do not compress, and a header of some blocks for each.
    assert 0.98 * 3_000_000 <= first["estimated_written_bytes"] <= first["read_bytes"] * 1.01
    assert 3_000_000 <= first["read_bytes"] <= 3_000_000 + 31 * 2048
    board.capture()
    again = board.run("--dry-run").json
    assert again["read_bytes"] == again["estimated_written_bytes"] == 0
