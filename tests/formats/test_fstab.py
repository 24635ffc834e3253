"""fstab lines, against glibc's getmntent(3), libmount's findmnt(8), and systemd's own fstab generator."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import Refused
from backupctl.formats.fstab import Entry, format_entry, parse_fstab, with_entry
from tests.formats import mntent

pytestmark = pytest.mark.formats

GENERATOR = Path("/usr/lib/systemd/system-generators/systemd-fstab-generator")

# Bytes that are no UTF-8 stand in Python strings as lone surrogates (PEP 383).
CHARACTERS = st.characters(exclude_characters="\0", exclude_categories=["Cs"]) | st.sampled_from(
    " \t\n\\#\"'%0147\udc80"
)
NAMES = st.text(CHARACTERS, min_size=1, max_size=12)
OPTIONS = st.text(CHARACTERS.filter(lambda character: character != ","), min_size=1, max_size=8)
ENTRIES = st.builds(
    Entry,
    source=NAMES.map("//nas/{}".format),
    mount_point=NAMES.map("/mnt/{}".format),
    fstype=st.sampled_from(["cifs", "nfs", "nfs4"]),
    options=st.lists(OPTIONS, min_size=1, max_size=4).map(tuple),
    frequency=st.integers(0, 9),
    pass_number=st.integers(0, 9),
)
FAR = settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


def entries(text: str) -> list[Entry]:
    return [line.entry for line in parse_fstab(text) if line.entry]


def on_disk(path: Path, text: str) -> Path:
    path.write_bytes(os.fsencode(text))
    return path


def libmount(path: Path) -> list[Entry]:
    """The entries as `findmnt --raw` has them: what is not printable comes as \\xNN (findmnt(8), --raw)."""
    if shutil.which("findmnt") is None:
        pytest.skip("needs findmnt")
    columns = "SOURCE,TARGET,FSTYPE,OPTIONS,FREQ,PASSNO"
    told = subprocess.run(
        ["findmnt", "--tab-file", path, "--raw", "--noheadings", "--output", columns],
        capture_output=True, check=True, env={**os.environ, "LC_ALL": "C"},
    )  # fmt: skip
    found = []
    for line in told.stdout.splitlines():
        fields = [re.sub(rb"\\x(..)", lambda hit: bytes([int(hit[1], 16)]), field) for field in line.split(b" ")]
        source, target, fstype, options = map(os.fsdecode, fields[:4])
        found.append(Entry(source, target, fstype, tuple(options.split(",")), int(fields[4]), int(fields[5])))
    return found


@FAR
@given(st.lists(ENTRIES, min_size=1, max_size=20))
def test_both_libraries_read_what_is_written(tmp_path: Path, written: list[Entry]) -> None:
    text = "".join(f"{format_entry(entry)}\n" for entry in written)
    path = on_disk(tmp_path / "fstab", text)
    assert mntent.read(path) == written
    assert libmount(path) == written
    assert entries(text) == written


@FAR
@given(ENTRIES)
def test_what_glibc_writes_is_read(tmp_path: Path, entry: Entry) -> None:
    assert entries(mntent.write(tmp_path / "fstab", entry)) == [entry]


def test_an_escape_for_each_character_that_getmntent_names() -> None:
    # getmntent(3): space \040, tab \011, newline \012, backslash \134. A "#" within a field begins no comment.
    entry = Entry("//nas/Back ups#1", "/mnt/a\tb\nc\\d", "cifs", ("credentials=/etc/x y",))
    expected = r"//nas/Back\040ups#1 /mnt/a\011b\012c\134d cifs credentials=/etc/x\040y 0 0"
    assert format_entry(entry) == expected


def test_a_name_that_would_make_its_line_a_comment(tmp_path: Path) -> None:
    # glibc has no escape for "#"; libmount, which mount(8) uses, takes any byte in octal.
    entry = Entry("#shelf", "/mnt/x", "fuse.sshfs", ("ro",))
    path = on_disk(tmp_path / "fstab", f"{format_entry(entry)}\n")
    assert libmount(path) == [entry] == entries(path.read_text())


def test_lines_that_mount_ignores(tmp_path: Path) -> None:
    good = [
        "/dev/a /a ext4",
        " \t/dev/b\t/b ext4 rw 1",
        "/dev/c /c ext4 rw 0 2 more # of it",
        "/dev/d /d ext4 rw 0 0\r",
    ]
    bad = [
        "/dev/e /e",
        "//nas/Back ups /f cifs guest 0 0",
        '//nas/"Back ups" /g cifs guest 0 0',
        "/dev/h /h ext4 rw # h",
    ]
    text = "\n".join(["# a comment", "", *good, "  # another", *bad])
    path = on_disk(tmp_path / "fstab", text)
    told = subprocess.run(["findmnt", "--verify", "--tab-file", path], capture_output=True, text=True, check=False)
    faulty = [line.number for line in parse_fstab(text) if line.fault]
    # findmnt: "parse error at line 8 -- ignored"
    assert faulty == [int(number) for number in re.findall(r"parse error at line (\d+)", told.stderr)] == [8, 9, 10, 11]
    assert [entry.mount_point for entry in entries(text)] == ["/a", "/b", "/c", "/d"]


OTHERS = "# made by hand\n\nPARTUUID=0a-02  /  ext4\tdefaults,noatime 0 1\n"
ENTRY = Entry("//nas/b", "/mnt/nas", "cifs", ("credentials=/etc/c", "nofail"))
WRITTEN = "//nas/b /mnt/nas cifs credentials=/etc/c,nofail 0 0"


@pytest.mark.parametrize("before", ["", OTHERS, OTHERS.removesuffix("\n")])
def test_a_new_line_is_added_at_the_end(before: str) -> None:
    kept = before if not before or before.endswith("\n") else f"{before}\n"
    assert with_entry(before, ENTRY) == f"{kept}{WRITTEN}\n"


@pytest.mark.parametrize("end", ["\n", "\r\n", ""])
def test_a_line_is_replaced_where_it_stands(end: str) -> None:
    before = f"{OTHERS}//old/b   /mnt//nas/ cifs guest{end}"
    after = f"{OTHERS}{WRITTEN}{end}"
    assert with_entry(before, ENTRY) == after
    assert with_entry(after, ENTRY) == after


def test_two_lines_for_one_mount_point_are_left_to_their_owner() -> None:
    with pytest.raises(Refused, match="lines 1 and 3"):
        with_entry("//a/b /mnt/nas cifs\n# x\n//c/d /mnt/nas cifs\n", ENTRY)


@given(st.text(CHARACTERS, max_size=200), ENTRIES)
def test_every_other_line_is_kept(before: str, entry: Entry) -> None:
    try:
        after = with_entry(before, entry)
    except Refused:
        return
    assert entry in entries(after)
    if after.startswith(before):
        return
    lines = list(zip(before.split("\n"), after.split("\n"), strict=True))
    assert len([old for old, new in lines if old != new]) == 1


def test_the_distribution_makes_the_units_that_are_meant(tmp_path: Path) -> None:
    if not GENERATOR.exists():
        pytest.skip("needs systemd's fstab generator")
    options = ("credentials=/etc/c d", "uid=0", "nofail", "_netdev", "x-systemd.automount")
    entry = Entry("//nas/Back ups\\c\"q'100%e", "/mnt/net share", "cifs", (*options, "x-systemd.mount-timeout=30s"))
    fstab = on_disk(tmp_path / "fstab", f"{format_entry(entry)}\n")
    out = tmp_path / "out"
    out.mkdir()
    # SYSTEMD_FSTAB: systemd's docs/ENVIRONMENT.md, "fstab-generator".
    subprocess.run([GENERATOR, out, out, out], env={**os.environ, "SYSTEMD_FSTAB": str(fstab)}, check=True)
    mount = (out / r"mnt-net\x20share.mount").read_text().splitlines()
    # systemd.mount(5): a percent sign is doubled; x-systemd.mount-timeout is TimeoutSec=.
    assert {"What=//nas/Back ups\\c\"q'100%%e", "Where=/mnt/net share", "Type=cifs", "TimeoutSec=30s"} <= set(mount)
    assert "Where=/mnt/net share" in (out / r"mnt-net\x20share.automount").read_text().splitlines()
    wanted = out / r"remote-fs.target.wants/mnt-net\x20share.automount"
    assert wanted.is_symlink()
    assert not list(out.glob("*.requires/mnt-net*"))  # nofail: wanted, not required


def test_a_zero_byte_ends_its_field(tmp_path: Path) -> None:
    text = "//nas/a\\000b /a\\000 cifs guest,x=\\000,nofail 0 0\n/dev/b /b ext4 ro\0 0 0\n/dev/c /c ext4 rw 0 0\n"
    path = on_disk(tmp_path / "fstab", text)
    assert libmount(path) == entries(text)
    assert [entry.source for entry in entries(text)] == ["//nas/a", "/dev/c"]
