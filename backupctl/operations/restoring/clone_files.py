"""Files within a volume that stands in a scratch file: found, read, and changed in place.

What is changed keeps its blocks, so that owner, mode, times and extended attributes stay as they are, and neither FAT
nor ext4 needs anything else to be changed: neither has checksums of file data.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from backupctl.board.scratch import ScratchFile
from backupctl.domain.errors import Refused
from backupctl.domain.fitting import RESIZABLE, Piece
from backupctl.formats.ext4_files import Ext4Tree
from backupctl.formats.fat_files import FatTree
from backupctl.formats.file_tree import FileTree, Node

MOST_TEXT_BYTES = 1 << 20
_MOST_BYTES = 64 << 20  # of a file that is looked into for what cannot be changed there
_MOST_NODES = 50_000


@dataclass(frozen=True)
class Found:
    """A file, by the path within its volume."""

    path: str
    node: Node


class VolumeFiles:
    """The files of one volume."""

    def __init__(self, piece: Piece, file: ScratchFile) -> None:
        """Raises Malformed if its files cannot be read."""
        self.piece = piece
        self.file = file
        if piece.kind in RESIZABLE:
            ext = Ext4Tree(file)
            self.tree: FileTree = ext
            self.block_size = ext.superblock.block_size
        else:
            self.tree = FatTree(file)
            self.block_size = 512
        self.unseen = False  # there were too many

    def find(self, path: str) -> Found | None:
        """A file or folder by its path; no symbolic link is followed."""
        node: Node | None = self.tree.root
        for name in path.strip("/").split("/"):
            if node is None or node.kind != "folder":
                return None
            node = self.tree.find(node, name.encode())
        return Found(f"/{path.strip('/')}", node) if node else None

    def below(self, path: str) -> Iterator[Found]:
        """Every regular file below a folder, each once, however many names it has."""
        start = self.find(path) if path.strip("/") else Found("", self.tree.root)
        if start is None or start.node.kind != "folder":
            return
        seen = {start.node.number}
        folders = [start]
        while folders:
            folder = folders.pop()
            for name, node in self.tree.children(folder.node):
                if node.number in seen or node.kind not in ("folder", "file"):
                    continue
                if len(seen) > _MOST_NODES:
                    self.unseen = True
                    return
                seen.add(node.number)
                found = Found(f"{folder.path}/{name.decode(errors='replace')}", node)
                if node.kind == "folder":
                    folders.append(found)
                else:
                    yield found

    def content(self, found: Found) -> bytes | None:
        """All of a file; None if it is too large for what is looked for here."""
        return self.tree.read(found.node, 0, found.node.size) if found.node.size <= _MOST_BYTES else None

    def write(self, found: Found, offset: int, data: bytes) -> None:
        """Over what stands there. Raises Refused where a file's bytes are not in blocks of their own."""
        end = offset + len(data)
        written = 0
        for piece in self.tree.pieces(found.node, offset, end):
            if self._is_inline(piece.place, piece.offset):
                break
            self.file.write(piece.place, data[piece.offset - offset : piece.offset - offset + piece.length])
            written += piece.length
        if written != len(data):
            raise Refused(
                f"{found.path} of {self.piece.name} cannot be changed in place: it has holes, or stands in its inode",
                "Nothing was written to the card. Change it on the restored card, without this option.",
            )

    def _is_inline(self, place: int, offset: int) -> bool:
        return self.piece.kind in RESIZABLE and (place - offset) % self.block_size != 0


def is_text(content: bytes) -> bool:
    """What can be changed by somebody who does not know its format."""
    return len(content) <= MOST_TEXT_BYTES and b"\0" not in content
