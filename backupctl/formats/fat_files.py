"""Files of FAT12, FAT16 and FAT32, read by position: without the kernel, without root, on any system.

FAT knows neither owners nor permissions: files belong to root, and are for nobody else. Times have no zone; that of
the clock that set them has to be said. Source: as in `fat`.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping
from datetime import UTC, tzinfo

from backupctl.domain.errors import Malformed
from backupctl.formats.fat import claims_fat, parse_layout
from backupctl.formats.fat_chains import ChainReader
from backupctl.formats.fat_folders import ENTRY, FolderEntry, entries
from backupctl.formats.file_tree import Kind, Node, Piece, read_pieces
from backupctl.formats.reader import ReadAt

_ROOT = 0
_FOLDER_MOST = 65536 * ENTRY  # the source, "FAT Directory Structure"
_READ = 64 << 10
_KEPT_ENTRIES, _KEPT_CHAINS = 4096, 8


class FatTree:
    """A `FileTree`. The number of a node is the place of its entry in the volume."""

    def __init__(self, reader: ReadAt, zone: tzinfo = UTC) -> None:
        """`zone`: of the clock that the files' times are from. Raises Malformed unless a sound FAT stands there."""
        boot = reader.read_at(0, 512)
        if not claims_fat(boot):
            raise Malformed("FAT boot sector", 510, "the signature 55aa, and fields that fit", boot[510:].hex())
        self._layout = parse_layout(boot, reader.size)
        self._reader = reader
        self._zone = zone
        self._chains = ChainReader(reader, self._layout)
        self._kept: OrderedDict[int, FolderEntry] = OrderedDict()
        self._runs: OrderedDict[int, tuple[tuple[int, int], ...]] = OrderedDict()
        self.warnings: tuple[str, ...] = ()

    @property
    def root(self) -> Node:
        return Node(_ROOT, "folder", 0o700, 0, 0, 0, 0)

    def node(self, number: int) -> Node:
        if number == _ROOT:
            return self.root
        return self._node(self._entry(number))

    def _node(self, entry: FolderEntry) -> Node:
        kind: Kind = "folder" if entry.folder else "file"
        mode = (0o700 if entry.folder else 0o600) & ~(0o200 if entry.read_only else 0)
        return Node(entry.place, kind, mode, 0, 0, entry.size, entry.modified_ns(self._zone))

    def _entry(self, number: int) -> FolderEntry:
        """By the number that `names` gave; without its long name if that was long ago."""
        found = self._kept.get(number)
        if found is None:
            found = next(entries([(number, self._reader.read_at(number, ENTRY))], self._layout.kind == "fat32"), None)
            if found is None:
                raise Malformed("FAT folder", number, "an entry", "none")
        return found

    def _keep(self, entry: FolderEntry) -> None:
        self._kept[entry.place] = entry
        while len(self._kept) > _KEPT_ENTRIES:
            try:
                self._kept.popitem(last=False)
            except KeyError:  # another thread was there first
                break

    def names(self, folder: Node) -> Iterator[tuple[bytes, int]]:
        for entry in self._entries(folder):
            yield entry.name, entry.place

    def children(self, folder: Node) -> Iterator[tuple[bytes, Node]]:
        for entry in self._entries(folder):
            yield entry.name, self._node(entry)

    def find(self, folder: Node, name: bytes) -> Node | None:
        wanted = name.decode("utf-8", "replace").casefold()
        found = None
        for entry in self._entries(folder):
            if entry.name == name:
                return self._node(entry)
            if found is None and entry.name.decode("utf-8", "replace").casefold() == wanted:
                found = entry
        return self._node(found) if found else None

    def _entries(self, folder: Node) -> Iterator[FolderEntry]:
        if folder.kind != "folder":
            raise Malformed("FAT entry", folder.number, "a folder", "a file")
        for entry in entries(self._stretches(folder), self._layout.kind == "fat32"):
            self._keep(entry)
            yield entry

    def _stretches(self, folder: Node) -> Iterator[tuple[int, bytes]]:
        """The bytes of a folder, each stretch with its place."""
        if folder.number == _ROOT and not self._layout.root_cluster:
            runs = [self._layout.root]
        else:
            first = self._layout.root_cluster if folder.number == _ROOT else self._entry(folder.number).cluster
            most = -(-_FOLDER_MOST // self._layout.cluster_size)
            size = self._layout.cluster_size
            runs = [(self._layout.place_of(start), count * size) for start, count in self._chain(first, most)]
        for place, length in runs:
            for at in range(0, length, _READ):
                yield place + at, self._reader.read_at(place + at, min(_READ, length - at))

    def _chain(self, first: int, most: int) -> tuple[tuple[int, int], ...]:
        found = self._runs.get(first)
        if found is None or sum(count for _, count in found) < most:
            found = self._runs[first] = tuple(self._chains.runs(first, most))
            while len(self._runs) > _KEPT_CHAINS:
                try:
                    self._runs.popitem(last=False)
                except KeyError:
                    break
        return found

    def pieces(self, file: Node, start: int = 0, end: int | None = None) -> Iterator[Piece]:
        if file.kind != "file":
            raise Malformed("FAT entry", file.number, "a file", f"a {file.kind}")
        end = file.size if end is None else min(end, file.size)
        if start >= end:
            return
        size = self._layout.cluster_size
        most = -(-file.size // size)
        reached = 0
        for first, count in self._chain(self._entry(file.number).cluster, most):
            low, high = max(reached, start), min(reached + count * size, end)
            if low < high:
                yield Piece(low, self._layout.place_of(first) + low - reached, high - low)
            reached += count * size
        if reached < end:
            raise Malformed("FAT chain", file.number, f"{file.size} bytes, as its entry says", f"{reached}")

    def read(self, file: Node, offset: int, length: int) -> bytes:
        length = max(0, min(length, file.size - offset))
        return read_pieces(self._reader, self.pieces(file, offset, offset + length), offset, length)

    def target(self, link: Node) -> bytes:
        raise Malformed("FAT entry", link.number, "a symbolic link", f"a {link.kind}")

    def attributes(self, node: Node) -> Mapping[bytes, bytes]:
        return {}
