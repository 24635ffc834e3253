"""Files that the kernel wrote onto ext3 and ext4, against what it reads from there: hashes, times, attributes."""

from __future__ import annotations

import os
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from backupctl.formats.ext4_files import Ext4Tree
from tests.formats.ext4_images import FileReader, require_tools, run
from tests.real_tree import attributes, described, make_tree
from tests.tree_reading import describe, walk

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root, for loop mounts"),
]

LAYOUTS = {
    "ext4": ("-t", "ext4"),
    "ext3, blocks of 1 KiB": ("-t", "ext3", "-b", "1024"),
    "inline data": ("-t", "ext4", "-O", "inline_data", "-I", "512"),
    "value inodes": ("-t", "ext4", "-O", "ea_inode", "-b", "1024"),
    "bigalloc": ("-t", "ext4", "-O", "bigalloc", "-C", "16384"),
}


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    require_tools()
    return make_tree(tmp_path_factory.mktemp("tree"), 60)


@contextmanager
def mounted(image: Path, folder: Path, *options: str) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-o", ",".join(("loop", *options)), image, folder], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip(f"needs the kernel's support: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        run("umount", folder)


def add_more(folder: Path) -> None:
    """What only a kernel makes: preallocated blocks, extents written out of order, sockets, large attributes."""
    with (folder / "preallocated").open("wb") as file:
        file.write(b"begin")
        os.posix_fallocate(file.fileno(), 0, 3 << 20)
        os.pwrite(file.fileno(), b"middle", 1 << 20)
    with (folder / "backwards").open("wb") as file:
        for block in range(400, 0, -2):
            os.pwrite(file.fileno(), bytes([block % 256]) * 4096, block * 8192)
            if block % 20 == 0:
                os.fsync(file.fileno())
    with socket.socket(socket.AF_UNIX) as listener:
        # The path of a socket may have 107 bytes (unix(7)).
        link = Path("/tmp") / f"backupctl-test-{os.getpid()}"
        link.symlink_to(folder)
        try:
            listener.bind(str(link / "socket"))
        finally:
            link.unlink()
    for number in range(3):
        os.setxattr(folder / "backwards", f"user.note{number}", bytes([number]) * 200)
    os.setxattr(folder / "odd" / "link 900", "trusted.note", b"of a link", follow_symlinks=False)
    os.utime(folder / "backwards", ns=(0, 8_000_000_000_987_654_321))


def test_what_the_kernel_reads_is_read(tree: Path, tmp_path: Path) -> None:
    for layout, options in LAYOUTS.items():
        image = tmp_path / "image"
        image.unlink(missing_ok=True)
        run("mke2fs", "-q", "-F", *options, image, "220M")
        with mounted(image, tmp_path / "mount") as folder:
            run("cp", "-a", *sorted(tree.iterdir()), folder)
            add_more(folder)
            if layout == "value inodes":
                os.setxattr(folder / "backwards", "user.large", bytes(range(256)) * 30)
        with mounted(image, tmp_path / "mount", "ro") as folder:
            found = Ext4Tree(FileReader(image))
            nodes = dict(walk(found))
            paths = {str(path.relative_to(folder)): path for path in folder.rglob("*")}
            assert nodes.keys() == paths.keys(), layout
            for path, node in nodes.items():
                assert describe(found, node) == described(paths[path]), (layout, path)
                assert found.attributes(node) == attributes(paths[path]), (layout, path)
                seen = paths[path].lstat()
                assert (node.number, node.links) == (seen.st_ino, seen.st_nlink), (layout, path)
                assert node.kind == "folder" or node.size == seen.st_size, (layout, path)
            # A folder that the kernel made so large has a tree of hashes.
            flags = subprocess.run(
                ["lsattr", "-d", folder / "odd" / "many"], capture_output=True, text=True, check=True
            ).stdout.split()[0]
            assert "I" in flags, layout
            held = sum(piece.length for piece in found.pieces(nodes["preallocated"]))
            assert held < 1 << 20 or layout.startswith("ext3"), layout  # which has no blocks that are unwritten
