"""mountinfo: lines of proc(5), lines seen on a running kernel, and paths through stacked mounts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.formats.mountinfo import Mount, mount_of, parse_mountinfo, unescape


def test_the_line_of_the_manual() -> None:
    # proc(5), "/proc/pid/mountinfo".
    (mount,) = parse_mountinfo("36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n")
    assert mount == Mount(
        36,
        35,
        98,
        0,
        "/mnt1",
        "/mnt2",
        ("rw", "noatime"),
        "ext3",
        "/dev/root",
        ("rw", "errors=continue"),
    )
    assert mount.super_option("errors") == "continue"
    assert not mount.read_only


def test_unknown_tags_are_ignored() -> None:
    # proc(5): "Parsers should ignore all unrecognized optional fields"; there may be none, or many.
    (mount,) = parse_mountinfo("36 35 98:0 / /a rw shared:2 propagate_from:7 unbindable new - ext4 /dev/x rw")
    assert (mount.mount_point, mount.fstype) == ("/a", "ext4")


def test_escapes_as_the_kernel_writes_them() -> None:
    # Linux 6.18: mount -t tmpfs "no#name x" "mp a<TAB>b\\c#d"
    (mount,) = parse_mountinfo(r"50 27 0:60 / /t/mp\040a\011b\134c#d rw,relatime - tmpfs no\043name\040x rw")
    assert mount.mount_point == "/t/mp a\tb\\c#d"
    assert mount.source == "no#name x"


def test_an_escaped_comma_does_not_end_an_option() -> None:
    # seq_show_option() of the kernel writes "," within a value as \054 (fs.h, from memory).
    (mount,) = parse_mountinfo(r"50 27 0:60 / /m rw - overlay overlay rw,lowerdir=/a\054b,upperdir=/u")
    assert mount.super_option("lowerdir") == "/a,b"
    assert mount.super_option("upperdir") == "/u"


def test_an_empty_source() -> None:
    (mount,) = parse_mountinfo("50 27 0:60 / /m rw - tmpfs  ro")
    assert (mount.source, mount.super_options, mount.read_only) == ("", ("ro",), True)


@pytest.mark.parametrize(
    "line",
    [
        "nonsense",
        "36 35 98:0 /mnt1 /mnt2 rw ext3 /dev/root rw",
        "36 35 98:0 /mnt1 /mnt2 - ext3 /dev/root rw",
        "36 35 98:0 /mnt1 /mnt2 rw - ext3 /dev/root",
        "x 35 98:0 / / rw - ext3 /dev/root rw",
        "36 35 98 / / rw - ext3 /dev/root rw",
        "36 35 98:0x / / rw - ext3 /dev/root rw",
        "36 ٣ 98:0 / / rw - ext3 /dev/root rw",
    ],
)
def test_other_lines_are_refused_with_their_place(line: str) -> None:
    good = "27 1 254:0 / / rw - ext4 /dev/vda rw\n"
    with pytest.raises(Malformed, match=f"at byte {len(good)}:"):
        parse_mountinfo(good + line)


FIELDS = st.sampled_from(["1", "2", "0:3", "/", "/a", "-", "rw", "ext4", "", "\\040", "\\777", "x\ny", "-1"])


@given(st.lists(FIELDS).map(" ".join) | st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        mounts = parse_mountinfo(text)
    except Malformed:
        return
    mount_of("/a", mounts)


def test_unescape_leaves_what_is_no_escape() -> None:
    assert unescape(r"a\04b\9\\") == r"a\04b\9\\"
    assert unescape(r"\303\274") == "ü"


def mount(ident: int, parent: int, mount_point: str, fstype: str = "ext4") -> Mount:
    return Mount(ident, parent, 8, ident, "/", mount_point, ("rw",), fstype, f"/dev/{ident}", ("rw",))


def found(path: str, *mounts: Mount) -> int | None:
    mount = mount_of(path, mounts)
    return mount.id if mount else None


ROOT = mount(27, 1, "/")


def test_the_longest_mount_point_above_a_path() -> None:
    mounts = (ROOT, mount(30, 27, "/srv"), mount(31, 30, "/srv/share"), mount(32, 27, "/srv-other"))
    assert found("/srv/share/a", *mounts) == 31
    assert found("/srv/share/", *mounts) == 31
    assert found("/srv/sharex", *mounts) == 30
    assert found("/srv-other", *mounts) == 32
    assert found("//etc/../etc", *mounts) == 27


def test_of_stacked_mounts_the_upper_one() -> None:
    # proc(5), field 2: the parent of a mount on top of another is that other.
    automount = mount(40, 27, "/mnt/share", "autofs")
    share = mount(41, 40, "/mnt/share", "cifs")
    assert found("/mnt/share/x", ROOT, automount, share) == 41
    assert found("/mnt/share/x", ROOT, share, automount) == 41  # newer kernels do not promise the order
    assert found("/mnt/share/x", ROOT, automount) == 40


def test_a_mount_hidden_by_a_later_one_above_it() -> None:
    assert found("/a/b/x", ROOT, mount(30, 27, "/a/b"), mount(31, 27, "/a")) == 31


def test_a_parent_that_is_not_listed_or_is_itself() -> None:
    assert found("/x", mount(1, 1, "/", "rootfs"), mount(27, 1, "/")) == 27
    assert found("/home", mount(30, 27, "/proc")) is None


def test_a_loop_of_parents_ends() -> None:
    assert found("/a", ROOT, mount(30, 31, "/"), mount(31, 30, "/a")) == 27
    assert found("/a", ROOT, mount(30, 27, "/a"), mount(30, 30, "/a")) == 30
