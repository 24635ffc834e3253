"""The files that stand in a capture: of an archive, or of a card's file systems, put together as its fstab has them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, tzinfo
from functools import cached_property
from pathlib import PurePosixPath
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from backupctl.domain.errors import BackupctlError, Damaged, Malformed, NotFound, UsageError
from backupctl.formats import ext4
from backupctl.formats.ext4_files import Ext4Tree
from backupctl.formats.fat import claims_fat
from backupctl.formats.fat_files import FatTree
from backupctl.formats.file_tree import FileTree
from backupctl.formats.fstab import Entry, parse_fstab
from backupctl.formats.mounted_trees import Found, MountedTrees
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.pax_reading import read_archive
from backupctl.formats.pax_tree import PaxTree
from backupctl.formats.reader import ReadAt, Window
from backupctl.operations.proving.named_volumes import NamedVolume, find_volume
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.operations.restoring.captured_layout import sector_size_of

_FSTAB = b"/etc/fstab"
_FSTAB_MOST = 1 << 20


@dataclass(frozen=True)
class CapturedVolume:
    """A volume of the card whose files can be read; of a capture of files, the whole."""

    number: int  # of the partition; 0: the card has no table, or it is no card
    start: int  # byte of the card
    size: int
    kind: str
    label: str
    identity: str
    partition_identity: str
    tree: FileTree
    warnings: tuple[str, ...]


class CapturedFiles:
    """All that can be found in a capture by a path."""

    def __init__(self, view: CaptureView, partition: int | None = None) -> None:
        """`partition`: only that one, as if it were all. Raises NotFound, UsageError, Malformed, Damaged, OSError."""
        self.view = view
        self.problems: dict[int, str] = {}  # why a volume cannot be read, by its number
        self._elsewhere: dict[str, str] = {}  # mount points, and what fstab mounts there that is not here
        self._is_archive = view.record.kind == "files"
        if self._is_archive and partition is not None:
            raise UsageError(
                f"{view.record.id} is a capture of files, which has no partitions", "Leave out --partition."
            )
        if partition is not None:
            _refuse_unknown(view, partition)
        volumes = [open_archive(view)] if self._is_archive else open_volumes(view, self.problems)
        self.volumes = [volume for volume in volumes if partition in (None, volume.number)]
        if not self.volumes:
            raise NotFound(
                f"{'this capture' if partition is None else f'partition {partition}'} has no file system that can be "
                "read here (ext2, ext3, ext4 and FAT can)",
                "\n".join([*self.problems.values(), "As root, `backupctl browse` may show it; see `backupctl show`."]),
            )
        self._by_tree = {id(volume.tree): volume for volume in self.volumes}
        self.root_volume = self.volumes[0] if len(self.volumes) == 1 else self._find_root()
        mounts = {} if partition is not None or self._is_archive else self._mounts()
        self.trees = MountedTrees(self.root_volume.tree, mounts)

    def volume_of(self, found: Found) -> CapturedVolume:
        return self._by_tree[id(found.tree)]

    def torn(self, found: Found) -> bool:
        """Whether a file went on changing while it was read for the capture."""
        return isinstance(found.tree, PaxTree) and found.node.number in found.tree.torn

    def unreadable(self, found: Found) -> bool:
        """Whether the card could not be read somewhere in this file. Raises Malformed, OSError."""
        if not self.view.unreadable or found.node.kind != "file":
            return False
        start = self.volume_of(found).start
        return any(
            self.view.unreadable.touches(start + piece.place, start + piece.place + piece.length)
            for piece in found.tree.pieces(found.node)
        )

    def find(self, path: bytes, follow: bool = True) -> Found:
        """See `MountedTrees.find`. Where something is missing because fstab has it elsewhere, that is said."""
        try:
            return self.trees.find(path, follow)
        except NotFound as error:
            wanted = PurePosixPath("/", os.fsdecode(path))
            away = [
                f"{point} is mounted from {source}, which is not on this card."
                for point, source in self._elsewhere.items()
                if wanted.is_relative_to(point)
            ]
            raise NotFound(error.cause, "\n".join([error.hint, *away, *self.problems.values()]).strip()) from None

    def _find_root(self) -> CapturedVolume:
        """The volume that a system runs from; where several could be, the one that says so of itself."""
        likely = [volume for volume in self.volumes if _looks_like_root(volume.tree)]
        if len(likely) > 1:
            owners = [volume for volume in likely if self._names_itself_root(volume)]
            likely = owners if len(owners) == 1 else likely
        if len(likely) == 1:
            return likely[0]
        known = ", ".join(f"{volume.number} ({f'{volume.kind} {volume.label}'.strip()})" for volume in self.volumes)
        raise UsageError(
            f"{'several partitions look' if likely else 'no partition looks'} like the system's own root",
            f"Say --partition: the capture has {known}.",
        )

    def _names_itself_root(self, volume: CapturedVolume) -> bool:
        return any(
            entry.mount_point == "/" and self._volume_named(entry.source) is volume for entry in _fstab_of(volume.tree)
        )

    def _mounts(self) -> dict[bytes, FileTree]:
        """What the root's fstab mounts of this card, by mount point without links."""
        root = self.root_volume.tree
        mounts: dict[bytes, FileTree] = {}
        # Outer ones first: /boot/firmware may stand on a folder of what is mounted on /boot.
        for entry in sorted(_fstab_of(root), key=lambda entry: entry.mount_point.count("/")):
            if not entry.mount_point.startswith("/") or entry.mount_point == "/" or entry.fstype in ("swap", "tmpfs"):
                continue
            volume = self._volume_named(entry.source)
            if volume is None:
                if "bind" not in entry.options:
                    self._elsewhere[entry.mount_point] = entry.source
                continue
            try:
                point = MountedTrees(root, mounts).find(os.fsencode(entry.mount_point))
            except (BackupctlError, OSError):
                continue  # there is no such folder
            if volume is not self.root_volume and point.node.kind == "folder":
                mounts.setdefault(point.path, volume.tree)
        return mounts

    def _volume_named(self, source: str) -> CapturedVolume | None:
        """The volume that a first field of fstab means."""
        # A board has one card: a device's number is as good as its name, which may be another one in a reader.
        found = find_volume(source, self._names, captured_from="")
        return next((volume for volume in self.volumes if found and volume.number == (found.number or 0)), None)

    @cached_property
    def _names(self) -> list[NamedVolume]:
        labels = self._partition_labels()
        return [
            NamedVolume(
                volume.number or None, volume.kind, volume.label, volume.identity, volume.partition_identity,
                labels.get(volume.number, ""),
            )
            for volume in self.volumes
        ]  # fmt: skip

    def _partition_labels(self) -> dict[int, str]:
        """Of GPT: an MBR has none, and records do not have them."""
        if self.view.record.layout.get("scheme") != "gpt":
            return {}
        try:
            table = read_partition_table(self.view, sector_size_of(self.view.record))
        except Malformed:
            return {}
        return {partition.number: partition.name for partition in table.partitions} if table else {}


def _refuse_unknown(view: CaptureView, partition: int) -> None:
    """Raises NotFound for a partition that the card did not have."""
    there = [volume.get("partition") or 0 for volume in view.record.layout.get("volumes") or ()]
    if partition not in there:
        has = f"the partitions {', '.join(map(str, there))}" if any(there) else "no partitions: it is 0 as a whole"
        raise NotFound(f"{view.record.id} has no partition {partition}", f"Its card has {has}.")


def open_archive(view: CaptureView) -> CapturedVolume:
    """The files of a capture of files. Raises Malformed, Damaged, OSError.

    Where the list of members is lost, the headers in the archive tell the same, if slowly.
    """
    try:
        tree, warnings = PaxTree(view, view.members()), tuple[str, ...]()
    except (Malformed, Damaged, FileNotFoundError) as error:
        tree = PaxTree(view, (member.listed() for member in read_archive(view)))
        warnings = (f"the whole archive was read through, since its list of members cannot be used: {error}",)
    return CapturedVolume(0, 0, view.size, "archive", "", "", "", tree, warnings)


def open_volumes(view: CaptureView, problems: dict[int, str]) -> Iterator[CapturedVolume]:
    """The volumes of a card whose files can be read; `problems`: why others cannot, by number. Raises OSError."""
    zone = _zone(view.record.zone)
    for volume in view.record.layout.get("volumes") or ():
        number = volume.get("partition") or 0
        name = f"partition {number}" if number else "the card"
        start, end, kind = volume["start"], volume["end"], volume["kind"]
        if kind in ("swap", "left out"):
            continue
        try:
            window = Window(view, start, end - start)
            tree = open_tree(window, zone)
            if tree is None and kind == "unknown":
                tree = _from_a_copy(window)
        except (Malformed, Damaged) as error:
            problems[number] = f"{name} cannot be read: {error.cause}"
            continue
        if tree is None:
            if kind != "unknown":
                problems[number] = f"{name} holds {kind}, of which this program reads no files"
            continue
        yield CapturedVolume(
            number=number, start=start, size=end - start, kind=kind, label=volume.get("label") or "",
            identity=volume.get("identity") or "", partition_identity=volume.get("partition_identity") or "",
            tree=tree, warnings=tree.warnings,
        )  # fmt: skip


def open_tree(reader: ReadAt, zone: tzinfo = UTC) -> Ext4Tree | FatTree | None:
    """The files of whatever file system stands there; None if it is none of those that can be read here.

    `zone`: of FAT's times. Raises Malformed for one that is damaged, OSError of the reader.
    """
    if reader.size >= ext4.SUPERBLOCK_OFFSET + ext4.SUPERBLOCK_LENGTH:
        raw = reader.read_at(ext4.SUPERBLOCK_OFFSET, ext4.SUPERBLOCK_LENGTH)
        if ext4.parse_superblock(raw) is not None:
            return Ext4Tree(reader)
    if reader.size >= 512 and claims_fat(reader.read_at(0, 512)):
        return FatTree(reader, zone)
    return None


def _from_a_copy(reader: ReadAt) -> Ext4Tree | None:
    """What looks like nothing may be an ext4 whose first blocks are lost."""
    try:
        return Ext4Tree(reader)
    except Malformed:
        return None


def _looks_like_root(tree: FileTree) -> bool:
    try:
        plain = MountedTrees(tree, {})
        return plain.find(b"/etc").node.kind == "folder" and bool(plain.child(plain.root, b"usr"))
    except (BackupctlError, OSError):
        return False


def _fstab_of(tree: FileTree) -> list[Entry]:
    try:
        found = MountedTrees(tree, {}).find(_FSTAB)
        text = os.fsdecode(tree.read(found.node, 0, _FSTAB_MOST))
    except (BackupctlError, OSError):
        return []
    return [line.entry for line in parse_fstab(text) if line.entry]


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name) if name else UTC
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC
