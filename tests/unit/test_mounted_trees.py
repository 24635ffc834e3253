"""Paths over two file systems in memory: what path_resolution(7) says of links, "..", and mount points."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from backupctl.domain.errors import NotFound
from backupctl.formats.file_tree import Kind, Node, Piece
from backupctl.formats.mounted_trees import Found, MountedTrees

Entry = str | dict[str, "Entry"] | None  # a link's target, a folder, a file


class Tree:
    """A `FileTree` of names only."""

    def __init__(self, entries: dict[str, Entry]) -> None:
        self._entries: list[Entry] = [entries]
        self.root = self._node(0)

    def _node(self, number: int) -> Node:
        entry = self._entries[number]
        kind: Kind = "folder" if isinstance(entry, dict) else "link" if isinstance(entry, str) else "file"
        return Node(number, kind, 0o755, 0, 0, 0, 0)

    def names(self, folder: Node) -> Iterator[tuple[bytes, int]]:
        entries = self._entries[folder.number]
        assert isinstance(entries, dict)
        for name, entry in entries.items():
            known = [number for number, other in enumerate(self._entries) if other is entry and entry is not None]
            if not known:
                self._entries.append(entry)
                known = [len(self._entries) - 1]
            yield name.encode(), known[0]

    def node(self, number: int) -> Node:
        return self._node(number)

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        return ((name, self.node(number)) for name, number in self.names(folder))

    def find(self, folder: Node, name: bytes) -> Node | None:
        return next((self.node(number) for other, number in self.names(folder) if other == name), None)

    def target(self, link: Node) -> bytes:
        target = self._entries[link.number]
        assert isinstance(target, str)
        return target.encode()

    def pieces(self, file: Node, start: int = 0, end: int | None = None) -> Iterator[Piece]:
        return iter(())

    def read(self, file: Node, offset: int, length: int) -> bytes:
        return b""

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        return {}


BOOT = Tree({"config.txt": None, "up": "../etc/hosts", "overlays": {"clock": None}})
ROOT = Tree({
    "etc": {
        "hosts": None, "hostname": None, ".hidden": None, "out": "../../../../etc/hosts", "boot": "/boot/firmware",
        "a": "b", "b": "a", "gone": "/nowhere", "deep": {"one.conf": None, "deeper": {"two.conf": None}},
    },
    "boot": {"firmware": {"covered": None}},
    "home": {"ada": {"notes": None}, "bob": {"notes": None}, "link": "ada"},
})  # fmt: skip
TREES = MountedTrees(ROOT, {b"/boot/firmware": BOOT})


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/", "/"),
        ("/etc/hosts", "/etc/hosts"),
        ("etc//./hosts", "/etc/hosts"),
        ("/../../etc/deep/../hosts", "/etc/hosts"),
        ("/etc/out", "/etc/hosts"),
        ("/etc/boot/config.txt", "/boot/firmware/config.txt"),
        ("/boot/firmware/up", "/boot/etc/hosts"),
        ("/boot/firmware/../firmware/overlays/", "/boot/firmware/overlays"),
        ("/home/link/notes", "/home/ada/notes"),
    ],
)
def test_paths(path: str, expected: str) -> None:
    if expected == "/boot/etc/hosts":  # ".." of what is mounted is the folder that its mount point is in
        with pytest.raises(NotFound, match="no etc in /boot"):
            TREES.find(path.encode())
        return
    assert TREES.find(path.encode()).path.decode() == expected


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("/etc/none", "no none in /etc"),
        ("/boot/firmware/covered", "no covered in /boot/firmware"),
        ("/etc/hosts/x", "is a file, no folder"),
        ("/etc/hosts/", "is a file, no folder"),
        ("/etc/a", "in a circle"),
        ("/etc/gone", "no nowhere in /"),
        ("/" + "x/" * 5000, "thousands of folders"),
    ],
)
def test_paths_that_lead_nowhere(path: str, why: str) -> None:
    with pytest.raises(NotFound, match=why):
        TREES.find(path.encode())


def test_the_last_link_is_followed_on_request_only() -> None:
    assert TREES.find(b"/etc/boot", follow=False).node.kind == "link"
    assert TREES.find(b"/etc/boot/", follow=False).path == b"/boot/firmware"
    assert TREES.find(b"/etc/boot").tree is BOOT


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("/etc/host*", ["/etc/hostname", "/etc/hosts"]),
        ("/etc/.h*", ["/etc/.hidden"]),
        ("/etc/host[a-m]*", []),
        ("/etc/host?", ["/etc/hosts"]),
        ("/home/*/notes", ["/home/ada/notes", "/home/ada/notes", "/home/bob/notes"]),  # by a link as well
        ("/**/*.conf", ["/etc/deep/deeper/two.conf", "/etc/deep/one.conf"]),
        ("/boot/*/conf*", ["/boot/firmware/config.txt"]),
        ("/boot/**", ["/boot/firmware", "/boot/firmware/config.txt", "/boot/firmware/overlays",
                      "/boot/firmware/overlays/clock", "/boot/firmware/up"]),
    ],
)  # fmt: skip
def test_patterns(pattern: str, expected: list[str]) -> None:
    def paths(found: Iterator[Found]) -> list[str]:
        return sorted(one.path.decode() for one in found)

    assert paths(TREES.matching(pattern.encode())) == expected
