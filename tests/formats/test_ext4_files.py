"""Files read from ext2, ext3 and ext4 against the tree that mke2fs made them of, and against debugfs (both 1.47)."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from backupctl.domain.errors import Malformed
from backupctl.formats.ext4_files import Ext4Tree
from tests.formats.ext4_images import FileReader, require_tools, run
from tests.real_tree import attributes, described, make_tree
from tests.tree_reading import content, describe, walk

pytestmark = pytest.mark.formats

LAYOUTS = {
    "ext4": ("-t", "ext4"),
    "blocks of 1 KiB": ("-t", "ext4", "-b", "1024"),
    "ext3": ("-t", "ext3"),
    "ext2": ("-t", "ext2", "-I", "128"),
    "no extents": ("-t", "ext4", "-O", "^extent,^64bit", "-b", "1024"),
    "inline data": ("-t", "ext4", "-O", "inline_data", "-I", "512"),
    "value inodes": ("-t", "ext4", "-O", "ea_inode"),
    "bigalloc": ("-t", "ext4", "-O", "bigalloc", "-C", "16384"),
    "no checksums": ("-t", "ext4", "-O", "^metadata_csum,meta_bg,^resize_inode"),
    "no types": ("-O", "^filetype", "-t", "ext2"),
}


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    require_tools()
    return make_tree(tmp_path_factory.mktemp("tree"), 60)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_file_is_as_it_was_put_in(layout: str, tree: Path, tmp_path: Path) -> None:
    image = tmp_path / "image"
    run("mke2fs", "-q", "-F", *LAYOUTS[layout], "-d", tree, image, "160M")
    found = Ext4Tree(FileReader(image))

    got = {path: describe(found, node) for path, node in walk(found) if path.split("/")[0] != "lost+found"}
    expected = {str(path.relative_to(tree)): described(path) for path in tree.rglob("*")}
    # mke2fs puts whole seconds in, and 32 bits of them.
    del got["odd/length 59"], expected["odd/length 59"]
    got, expected = ({k: (*v[:4], v[4] // 10**9, v[5]) for k, v in each.items()} for each in (got, expected))
    if layout == "inline data":
        # mke2fs 1.47.0 cuts files short there that begin with a hole or end in zeros: what counts is what stands there.
        for path in (path for path in expected if got[path] != expected[path]):
            run("debugfs", "-R", f'dump "/{path}" {tmp_path / "dumped"}', image)
            expected[path] = (*expected[path][:5], described(tmp_path / "dumped")[5])
    assert got == expected

    nodes = dict(walk(found))
    assert {path: dict(found.attributes(nodes[path])) for path in expected} == {
        path: attributes(tree / path) for path in expected
    }
    assert nodes["odd/linked"] == nodes["odd/in pieces"]
    assert nodes["odd/linked"].links == 2
    held = sum(piece.length for piece in found.pieces(nodes["odd/sparse"]))
    assert 5000 <= held <= 64 << 10 or layout == "inline data"


def test_debugfs_dumps_the_same(tree: Path, tmp_path: Path) -> None:
    """A file system that files were written to and removed from, so that extents are in pieces and trees are deep."""
    image, script = tmp_path / "image", tmp_path / "commands"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-d", tree, image, "260M")
    big = tmp_path / "big"
    big.write_bytes(os.urandom(30 << 20))
    names = sorted(path.name for path in (tree / "odd" / "many").iterdir())
    lines = [f'rm "/odd/many/{name}"' for name in names[::2]]
    lines += ["punch /odd/linked 3 9", "mkdir /new", f"write {big} /new/big"]
    lines += [f"punch /new/big {at} {at}" for at in range(2, 30000, 7)]
    lines += [f"ea_set /new/big user.note{n} {'v' * (10 * n)}" for n in range(1, 9)]
    script.write_text("\n".join(lines))
    run("debugfs", "-w", "-f", script, image)

    found = Ext4Tree(FileReader(image))
    nodes = dict(walk(found))
    assert len(nodes) == len(list(tree.rglob("*"))) - len(names[::2]) + 3  # lost+found, new, big
    dumped = tmp_path / "dumped"
    for path in ("new/big", "odd/linked", f"odd/many/{names[1]}"):
        run("debugfs", "-R", f'dump "/{path}" {dumped}', image)
        assert content(found, nodes[path]) == hashlib.sha256(dumped.read_bytes()).hexdigest()
    assert len(list(found.pieces(nodes["new/big"]))) > 4000
    attributes = found.attributes(nodes["new/big"])
    assert attributes == {b"user.note%d" % n: b"v" * (10 * n) for n in range(1, 9)}


def test_what_is_no_file_system_is_said() -> None:
    class Zeros:
        size = 1 << 20

        def read_at(self, offset: int, length: int) -> bytes:
            return bytes(length)

    with pytest.raises(Malformed, match="magic number"):
        Ext4Tree(Zeros())


def test_what_is_encrypted_is_said(tmp_path: Path) -> None:
    require_tools()
    tree, image, script = tmp_path / "tree", tmp_path / "image", tmp_path / "commands"
    (tree / "vault").mkdir(parents=True)
    (tree / "vault" / "inside").write_text("x")
    (tree / "letter").write_text("x")
    (tree / "open").write_text("x")
    run("mke2fs", "-q", "-F", "-t", "ext4", "-O", "encrypt,casefold,large_dir", "-d", tree, image, "8M")
    # EXT4_ENCRYPT_FL beside EXT4_EXTENTS_FL.
    script.write_text("sif /vault flags 0x80800\nsif /letter flags 0x80800\n")
    run("debugfs", "-w", "-f", script, image)
    found = Ext4Tree(FileReader(image))
    nodes = dict(found.children(found.root))
    with pytest.raises(Malformed, match="an encrypted folder"):
        list(found.names(nodes[b"vault"]))
    with pytest.raises(Malformed, match="an encrypted file"):
        found.read(nodes[b"letter"], 0, 1)
    assert found.read(nodes[b"open"], 0, 10) == b"x"


@pytest.mark.parametrize("options", [("-b", "1024"), ("-b", "4096")])
def test_a_lost_superblock_is_made_up_for_by_its_copy(options: tuple[str, str], tree: Path, tmp_path: Path) -> None:
    image = tmp_path / "image"
    run("mke2fs", "-q", "-F", "-t", "ext4", *options, "-d", tree, image, "190M")
    whole = {path: describe(found, node) for found in [Ext4Tree(FileReader(image))] for path, node in walk(found)}
    with image.open("r+b") as file:  # superblock and descriptors
        file.write(os.urandom(2 * int(options[1]) + 1024))
    found = Ext4Tree(FileReader(image))
    assert "copy of the superblock" in found.warnings[0]
    assert {path: describe(found, node) for path, node in walk(found)} == whole
