"""A tree of this machine's own files, with oddities of every kind added to it, for readers of file systems."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import stat
import struct
from itertools import islice
from pathlib import Path

_SOURCES = ("/usr/share/doc", "/usr/share/zoneinfo", "/usr/lib/python3", "/etc")
KINDS = {
    stat.S_IFREG: "file",
    stat.S_IFDIR: "folder",
    stat.S_IFLNK: "link",
    stat.S_IFIFO: "fifo",
    stat.S_IFSOCK: "socket",
    stat.S_IFCHR: "character device",
    stat.S_IFBLK: "block device",
}

# linux/capability.h, struct vfs_cap_data of revision 2: cap_net_raw, permitted and effective.
CAPABILITY = struct.pack("<5I", 0x02000001, 1 << 13, 0, 0, 0)
# linux/posix_acl_xattr.h: version, and tag, permissions and id of u::rw, u:54321:rwx, g::r, m::rwx, o::-.
ACL = struct.pack("<I", 2) + b"".join(
    struct.pack("<HHI", *entry)
    for entry in ((1, 6, 0xFFFFFFFF), (2, 7, 54321), (4, 4, 0xFFFFFFFF), (16, 7, 0xFFFFFFFF), (32, 0, 0xFFFFFFFF))
)


def make_tree(folder: Path, files_each: int, most_bytes: int = 1 << 20) -> Path:
    """The first files of some folders of this machine, and `odd`."""
    for source in map(Path, _SOURCES):
        wanted = (path for path in sorted(source.rglob("*")) if path.is_symlink() or _is_wanted(path, most_bytes))
        for path in islice(wanted, files_each):
            place = folder / path.relative_to("/")
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, place, follow_symlinks=False)
    make_odd(folder / "odd")
    return folder


def _is_wanted(path: Path, most_bytes: int) -> bool:
    return path.is_file() and path.stat().st_size <= most_bytes and os.access(path, os.R_OK)


def make_odd(folder: Path) -> None:
    """Holes, hard links, links of every length, names that are no text, times, and as root devices and owners."""
    rng = random.Random(6)
    folder.mkdir(parents=True)
    with (folder / "sparse").open("wb") as file:
        file.seek(70 << 20)
        file.write(rng.randbytes(5000))
        file.truncate(90 << 20)
    with (folder / "in pieces").open("wb") as file:
        for number in range(1200):
            file.seek(number * 18000)
            file.write(b"%d" % number * 50)
    (folder / "linked").hardlink_to(folder / "in pieces")
    for length in (1, 58, 59, 60, 61, 900):
        (folder / f"link {length}").symlink_to("t" * length)
    for length in (0, 1, 59, 60, 61, 100, 150, 200, 250, 4095, 4096, 4097):
        (folder / f"length {length}").write_bytes(rng.randbytes(length))
    Path(os.fsdecode(bytes(folder) + b"/\xff\xfe no text\n")).write_text("hidden")
    (folder / "many").mkdir()
    for number in range(700):
        (folder / "many" / f"a name of some length, so that blocks fill up, {number:05}").write_text(str(number))
    os.mkfifo(folder / "pipe")
    os.utime(folder / "length 1", ns=(0, -5_000_000_001))
    os.utime(folder / "length 59", ns=(0, 5_000_000_000_123_456_789))
    if os.geteuid() == 0:
        os.mknod(folder / "console", 0o20640, os.makedev(5, 1))
        os.mknod(folder / "large numbers", 0o60640, os.makedev(300, 70000))
        os.chown(folder / "length 60", 100_000, 200_000)
        os.setxattr(folder / "length 150", "security.capability", CAPABILITY)
        os.setxattr(folder / "length 200", "system.posix_acl_access", ACL)
        os.setxattr(folder / "many", "system.posix_acl_default", ACL)
    (folder / "length 61").chmod(0o6755)
    folder.chmod(0o1777)


def described(path: Path) -> tuple[str, int, int, int, int, str]:
    """Kind, mode, owner, group, modification time (ns), and the content's SHA-256, or the target."""
    found = path.lstat()
    kind = KINDS[stat.S_IFMT(found.st_mode)]
    content = ""
    if kind == "file":
        with path.open("rb") as file:
            content = hashlib.file_digest(file, "sha256").hexdigest()
    elif kind == "link":
        content = os.readlink(path)  # noqa: PTH115 - as it stands
    elif "device" in kind:
        content = f"{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}"
    return kind, stat.S_IMODE(found.st_mode), found.st_uid, found.st_gid, found.st_mtime_ns, content


def attributes(path: Path) -> dict[bytes, bytes]:
    """As the kernel gives them."""
    names = os.listxattr(path, follow_symlinks=False)
    return {os.fsencode(name): os.getxattr(path, name, follow_symlinks=False) for name in names}
