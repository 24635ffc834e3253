"""What comes along in a capture of files, by the rules that README.md gives for patterns."""

from __future__ import annotations

import pytest

from backupctl.domain.choosing import Choice, Verdict
from backupctl.domain.files_policy import FilesPolicy
from backupctl.domain.left_out import SECRETS, USUAL

TAKE, LEAVE, FOLDER_ONLY = Verdict.TAKE, Verdict.LEAVE, Verdict.FOLDER_ONLY


def alone(*leave_out: str, take: tuple[str, ...] = ()) -> Choice:
    return Choice.compile(FilesPolicy(leave_out=leave_out, take=take, leave_out_usual=False))


# A pattern; what it names, and what it does not. A folder has a slash at its end.
@pytest.mark.parametrize(
    ("pattern", "left", "taken"),
    [
        ("/srv/a", "srv/a srv/a/ srv/a/b srv/a/b/c/", "srv/ srv/ab home/srv/a a"),
        ("a", "a b/a b/c/a/ b/a/c", "ab ba b/ab/c"),
        ("a/b", "a/b c/a/b a/b/d", "b a/ a/c/b"),
        ("a/", "a/ a/b c/a/", "a c/a"),
        ("*.o", ".o a.o b/a.o a.o/b", "a.oo o a.O"),
        ("/a/*", "a/b a/.b a/b/c", "a b/a/b"),
        ("/a/*/", "a/b/ a/b/c", "a/b a/"),
        ("/a/**", "a/b a/b/c", "a b"),
        ("/a/**/c", "a/c a/b/c a/b/b/c/d", "a/b/cc b/a/c c"),
        ("/a*b*c", "abc aXbYc abcbc abc/d", "ac abcb b/abc"),
        ("/a/*b/c", "a/b/c a/bb/c", "a/b/b/c"),
        ("a[1]?", "a[1]?", "a1x a[1]x"),
        ("/Straße-*", "Straße-\udcff", "STRASSE-1"),
    ],
)
def test_patterns(pattern: str, left: str, taken: str) -> None:
    choice = alone(pattern)
    for verdict, paths in ((LEAVE, left), (TAKE, taken)):
        for path in paths.split():
            found = choice.of(path.rstrip("/").encode(errors="surrogateescape"), path.endswith("/"))
            assert (found is LEAVE) == (verdict is LEAVE), path


def test_what_is_in_a_folder_and_not_the_folder() -> None:
    choice = alone("/a/*", "logs/**")
    assert [choice.of(path, True) for path in (b"a", b"b/logs", b"a/c", b"b/a")] == [
        FOLDER_ONLY, FOLDER_ONLY, LEAVE, TAKE,
    ]  # fmt: skip
    assert choice.of(b"a", False) is TAKE  # a file of that name
    assert not choice.may_hold_taken(b"a")


def test_what_is_taken_all_the_same() -> None:
    choice = alone("/var/", "*.log", take=("/var/lib/*/keep/", "audit.log"))
    anchored = alone("/var/", take=("/var/lib/*/keep/",))
    assert choice.of(b"home/audit.log", False) is TAKE
    assert choice.of(b"home/other.log", False) is LEAVE
    assert choice.may_hold_taken(b"var/cache")  # an audit.log may be anywhere
    on_the_way = {b"var": True, b"var/lib": True, b"var/lib/x": True, b"var/cache": False, b"var/lib/x/y": False}
    assert {path: anchored.may_hold_taken(path) for path in on_the_way} == on_the_way
    for path, goes_on in on_the_way.items():
        assert anchored.of(path, True) is (FOLDER_ONLY if goes_on else LEAVE)
    assert anchored.of(b"var/lib/x/keep", True) is TAKE
    assert anchored.of(b"var/lib/x/keep/all/of", False) is TAKE
    assert anchored.of(b"var/lib/x/file", False) is LEAVE
    assert alone("/a", take=("/a/**/b",)).may_hold_taken(b"a/c/d/e")
    assert not alone("/a", take=("/b",)).may_hold_taken(b"a")


def test_the_usual() -> None:
    choice = Choice.compile(FilesPolicy())
    for mount_point in (b"proc", b"sys", b"dev", b"run", b"tmp", b"var/tmp", b"home/ann/.cache", b"lost+found"):
        assert choice.of(mount_point, True) is FOLDER_ONLY, mount_point
    for gone in (b"proc/1/maps", b"swapfile", b"root/.local/share/Trash/files/a", b"srv/.Trash-1000/files"):
        assert choice.of(gone, False) is LEAVE, gone
    for kept in (b"", b"etc", b"home/ann/tmp", b"srv/proc", b"var/cache/apt/archives", b"var/lib/apt"):
        assert choice.of(kept, True) is TAKE, kept
    assert all(each.why for each in (*USUAL, *SECRETS))


def test_of_any_folder_only_what_is_named_so_everywhere_is_left_out() -> None:
    choice = Choice.compile(FilesPolicy(), of_system=False)
    assert choice.of(b"tmp/measured", False) is TAKE
    assert choice.of(b".cache", True) is FOLDER_ONLY


def test_who_names_a_folder_wants_what_is_in_it() -> None:
    choice = Choice.compile(FilesPolicy(roots=("/var/tmp/renders", "/srv"), leave_out=("*.o",)))
    assert choice.of(b"var/tmp/renders/a", False) is TAKE
    assert choice.of(b"var/tmp/renders/a.o", False) is LEAVE
    assert choice.of(b"tmp/a", False) is LEAVE


def test_secrets_are_left_out_whatever_is_taken() -> None:
    choice = Choice.compile(FilesPolicy(take=("/etc/", "/home"), leave_out_secrets=True))
    for path in (b"etc/ssh/ssh_host_ed25519_key", b"home/ann/.ssh/id_rsa", b"etc/backupctl/mnt-nas.credentials"):
        assert choice.of(path, False) is LEAVE, path
    connections = b"etc/NetworkManager/system-connections"
    assert choice.of(connections, True) is FOLDER_ONLY
    assert not choice.may_hold_taken(connections)
    for path in (b"etc/ssh/sshd_config", b"home/ann/.ssh/known_hosts", b"etc/shadow"):
        assert choice.of(path, False) is TAKE, path
    assert Choice.compile(FilesPolicy()).of(b"etc/ssh/ssh_host_ed25519_key", False) is TAKE


@pytest.mark.timeout(20)
def test_hostile_patterns_end() -> None:
    choice = alone("*a" * 50 + "b", "**/" * 2 + "x/y", "/" + "*x" * 200 + "z", take=("/**/a/**/b/*c",))
    for path in (b"a" * 255, b"a/" * 500 + b"a"):
        assert choice.of(path, False) is TAKE
        assert choice.may_hold_taken(path)
