"""A card made anew of a whole board's files: in scratch files, before a card is touched.

1. What no file holds comes from beside the contents (`share/card_head.py`): the table, and boot loaders.
2. The last file system is fitted to the new card, and every one is made anew, empty, with the identity that it had.
3. They are mounted where nobody else sees it, and the files are unpacked into them. A FAT, which keeps neither owners
   nor modes, is filled from a file system that does, by programs: not every kernel mounts one.
4. If the root is to be another kind of file system, fstab and what the kernel is told are changed.
5. All that was made is checked, the table is written anew, and the whole is given out as `preparing` does.

As there, whatever ends it, mounts and files are gone, and the card is as it was.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Collection, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field, replace
from itertools import takewhile
from pathlib import Path
from typing import NamedTuple

from backupctl.board import ext4_tools
from backupctl.board.private_mounts import enter_private_mounts, mounted_privately
from backupctl.board.scratch import ScratchFile
from backupctl.board.volume_tools import (
    MAKEABLE,
    Making,
    copy_into_fat,
    make_subvolume,
    make_volume,
    need_programs,
    use_by_default,
)
from backupctl.domain.errors import NotFound, Refused
from backupctl.domain.events import History
from backupctl.domain.fitting import RESIZABLE, Fitted, as_it_is
from backupctl.domain.members import Member
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import counted, size
from backupctl.formats.file_tree import FileTree
from backupctl.formats.mounted_trees import Found, MountedTrees
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.pick import open_files
from backupctl.operations.picking.picked_folder import PickedFolder
from backupctl.operations.picking.picking import Picked, Picker, ShareGone
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.operations.restoring import boot_texts
from backupctl.operations.restoring.captured_layout import card_size_of
from backupctl.operations.restoring.card_making import CardMaking, Wishes
from backupctl.operations.restoring.cloning import Cloned, cloned
from backupctl.operations.restoring.kernel_file_systems import doubts
from backupctl.operations.restoring.preparing import Prepared, announce, refuse_without_room
from backupctl.operations.restoring.scratch_image import ScratchSource
from backupctl.operations.restoring.volumes_to_make import VolumeToMake, volumes_to_make
from backupctl.share.card_head import read_head
from backupctl.share.members import read_members
from backupctl.share.shelf import Shelf

_MADE_TO_FIT = MAKEABLE - {"fat12", "fat16", "fat32", "swap"}
_BLOCK = 4096
_OWN_SHARE = 50  # one fiftieth of a file system for what it keeps itself
_STAGING_SPARE = 64 << 20
_FSTAB = ("etc", "fstab")
_TOLD = 3  # names in a warning


class _Need(NamedTuple):
    """What a volume's files take, and how many names there are."""

    bytes: int
    names: int


@contextmanager
def prepared_files(
    shelf: Shelf, history: History, record: CaptureRecord, wishes: Wishes, root_kind: str | None, dry_run: bool,
    folder: Path, reporter: Reporter, stop: Stop,
) -> Iterator[Prepared]:  # fmt: skip
    """For as long as the block lasts. `root_kind`: of the root's file system, None for the one that it had.

    `dry_run`: all but the files. Raises Refused, with by how much, if it cannot be done; Damaged for the share.
    """
    volumes = _chosen(record, root_kind, wishes)
    needs = _needs(shelf, record, volumes)
    scratch_bytes = sum(need.bytes for need in needs.values()) * (_OWN_SHARE + 1) // _OWN_SHARE
    refuse_without_room(folder, scratch_bytes)
    enter_private_mounts()
    announce(reporter, folder, scratch_bytes)
    with ExitStack() as stack:

        def scratch(length: int) -> ScratchFile:
            file = ScratchFile(folder, length)
            stack.callback(file.close)
            return file

        card_size = card_size_of(record)
        rest = scratch(card_size)
        files = {volume.piece.number: scratch(volume.length) for volume in volumes}
        pieces = [volume.piece for volume in volumes]
        making = CardMaking(record, card_size, wishes, pieces, rest, files)
        archive = stack.enter_context(open_files(shelf, history, record, None, reporter))
        yield _Preparing(making, volumes, needs, archive, root_kind, folder, dry_run, reporter, stop).run(shelf)


def _chosen(record: CaptureRecord, root_kind: str | None, wishes: Wishes) -> list[VolumeToMake]:
    """Raises Refused for what cannot become a card, or not here."""
    if record.head is None:
        raise Refused(
            f"{record.id} holds files, and not those of a whole board: no card can be made of it",
            "Restore it into a folder, or choose a capture of the board's card.",
        )
    volumes = volumes_to_make(record)
    roots = [volume for volume in volumes if "/" in volume.places and volume.making]
    if len(roots) != 1:
        raise Refused(
            f"the record of {record.id} does not tell which partition the root is on, of a kind that can be made here",
            "Restore it into a folder.",
        )
    if root_kind is not None and roots[0].making and root_kind != roots[0].making.kind:
        old = roots[0].making
        piece = replace(roots[0].piece, kind=root_kind)
        making = Making(root_kind, old.label, old.identity)
        volumes = [VolumeToMake(piece, making, "/") if volume is roots[0] else volume for volume in volumes]
        if wishes.clone and root_kind not in RESIZABLE:
            raise Refused(f"a clone is not made with {root_kind}", "Leave out --file-system, or what makes it a clone.")
    if os.geteuid() != 0:
        raise Refused("only root can mount new file systems, and give files to their owners", "Run it as root.")
    need_programs([volume.making.kind for volume in volumes if volume.making])
    ext4_tools.need_programs()
    return volumes


def _needs(shelf: Shelf, record: CaptureRecord, volumes: list[VolumeToMake]) -> dict[int, _Need]:
    """By number of the partition. Raises Malformed, OSError."""
    places = sorted(((place, v.piece.number) for v in volumes for place in v.places), key=lambda each: -len(each[0]))
    prefixes = [(os.fsencode(mounted.strip("/")), number) for mounted, number in places]
    taken: Counter[int] = Counter()
    names: Counter[int] = Counter()
    for member in read_members(shelf.storage, shelf.mark, record.id):
        number = next(
            n for p, n in prefixes if not p or member.path == p or member.path.startswith(p + b"/")
        )  # the root's prefix is empty
        taken[number] += _room_of(member)
        names[number] += member.kind != "hard link"
    return {number: _Need(taken[number], names[number]) for _, number in prefixes}


def _room_of(member: Member) -> int:
    if member.kind == "folder":
        return _BLOCK
    return -(-member.stored_bytes // _BLOCK) * _BLOCK


class _TreesOfOneVolume(MountedTrees):
    """What one volume holds: folders that others are mounted on are empty."""

    def __init__(self, archive: FileTree, others: Collection[bytes]) -> None:
        """`others`: paths of those folders, b"/boot/firmware"."""
        super().__init__(archive, {})
        self._others = others

    def names(self, folder: Found) -> Iterator[tuple[bytes, int]]:
        """As `FileTree.names`."""
        return iter(()) if folder.path in self._others else super().names(folder)


@dataclass(frozen=True)
class _Preparing:
    making: CardMaking
    volumes: list[VolumeToMake]
    needs: dict[int, _Need]
    archive: CapturedFiles
    root_kind: str | None
    folder: Path
    dry_run: bool
    reporter: Reporter
    stop: Stop
    result: Picked = field(default_factory=Picked)  # of all volumes
    changes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def run(self, shelf: Shelf) -> Prepared:
        making, wishes = self.making, self.making.wishes
        step = step_by_step(self.reporter, self.stop)
        if self.root_kind is not None:
            self.warnings.extend(doubts(self.archive.root_volume.tree, self.root_kind))
        before = making.stands(making.captured_size, as_it_is(making.pieces, None))
        for offset, content in read_head(shelf.storage, making.record):
            before.write(offset, content)
        table = making.table(before)
        fitted = making.fitted(before, table, _MADE_TO_FIT)
        if fitted.why_not:
            self.warnings.append(f"{fitted.why_not}: the rest of the card stays unused")
        for volume in self.volumes:
            step(f"making {volume.piece.name}")
            self._make(volume, fitted)
        clone = Cloned()
        if not self.dry_run:
            self.warnings.extend(_in_words(self.result))
            self._say_what_is_not_in_it()
            if wishes.clone:
                pieces = [replace(v.piece, kind=v.making.kind) if v.making else v.piece for v in self.volumes]
                clone = cloned(pieces, making.files, table, wishes.clone, self.reporter, self.stop)
                self.changes.extend(clone.changes)
                self.warnings.extend(clone.warnings)
        for volume in self.volumes:
            if volume.piece.kind in RESIZABLE:
                step(f"checking {volume.piece.name}")
                ext4_tools.judge(making.files[volume.piece.number].path, volume.piece.name)
        content_end = making.write_rest(before, table, fitted, clone, self.warnings)
        if table and table.sector_size != wishes.sector_size:
            self.changes.append(f"the partition table is written for sectors of {wishes.sector_size} bytes")
        after = making.stands(wishes.card_size, fitted)
        anew = [volume.piece.number for volume in self.volumes]
        card_map = making.map(after, fitted, clone, content_end, anew)
        picked = None if self.dry_run else {**asdict(self.result), "unset": dict(self.result.unset)}
        return Prepared(ScratchSource(after, card_map), tuple(self.changes), tuple(self.warnings), picked, making.files)

    def _make(self, volume: VolumeToMake, fitted: Fitted) -> None:
        piece, file = volume.piece, self.making.files[volume.piece.number]
        start, end = fitted.places[piece.number]
        need = self.needs.get(piece.number, _Need(0, 0))
        made = volume.resized(end - start, need.names)
        if made is None:
            if not any(file.written(0, file.size)):
                self.warnings.append(f"{piece.name} ({piece.kind}) is left empty: its contents are not in the capture")
            return
        file.resize(end - start)
        self.warnings.extend(make_volume(file.path, made))
        was = f", {size(volume.length)} before" if end - start != volume.length else ""
        held = f", for {size(need.bytes)} of files" if volume.mounted else ""
        self.changes.append(f"{piece.name}: {made.kind} made anew, {size(end - start)}{was}{held}")
        if volume.mounted is None:
            if made.kind != "swap":
                self.warnings.append(f"{piece.name} was not mounted when this was taken: it is made empty")
        elif made.kind.startswith("fat"):
            self._fill_fat(volume, need)
        else:
            with mounted_privately(file.fileno(), made.kind, _mount_options(made.kind)) as mounted:
                self._refuse_unless_it_fits(volume, need, mounted)
                for place, folder in self._folders(volume, mounted):
                    self._fill(volume, place, folder)
                    if place == "/":
                        self._adapt_root(folder, bool(volume.subvolumes))

    def _fill_fat(self, volume: VolumeToMake, need: _Need) -> None:
        if self.dry_run:
            return
        staging = ScratchFile(self.folder, need.bytes + need.bytes // 4 + _STAGING_SPARE)
        try:
            make_volume(staging.path, Making("ext4", inodes=need.names * 2 + 1024))
            with mounted_privately(staging.fileno(), "ext4", _mount_options("ext4")) as mounted:
                (mounted / "lost+found").rmdir()
                self._fill(volume, str(volume.mounted), mounted)
                self._adapt_kernel_words(mounted, str(volume.mounted))
                self._leave_out_what_no_fat_holds(mounted, str(volume.mounted))
                copy_into_fat(mounted, self.making.files[volume.piece.number].path)
        finally:
            staging.close()

    def _leave_out_what_no_fat_holds(self, mounted: Path, shown: str) -> None:
        """Above all links: what copies the files would follow them out of here."""
        for above, folders, names, descriptor in os.fwalk(mounted, follow_symlinks=False):
            for name in (*folders, *names):
                mode = os.stat(name, dir_fd=descriptor, follow_symlinks=False).st_mode
                if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
                    os.unlink(name, dir_fd=descriptor)
                    path = os.path.join(shown, os.path.relpath(above, mounted), name)  # noqa: PTH118 - no real path
                    self.result.skipped.append((os.path.normpath(path), "a FAT holds files and folders only"))

    def _refuse_unless_it_fits(self, volume: VolumeToMake, need: _Need, mounted: Path) -> None:
        found = os.statvfs(mounted)
        there = found.f_bfree * found.f_frsize
        if need.bytes > there:
            raise Refused(
                f"{volume.piece.name} does not fit: its files take {size(need.bytes)}, and there is room for "
                f"{size(there)}: {need.bytes - there} bytes ({size(need.bytes - there)}) are missing",
                "Nothing was written. Take a larger card, or an earlier capture that holds less.",
            )
        if found.f_files and need.names > found.f_ffree:
            raise Refused(
                f"{volume.piece.name} does not fit: it has {counted(need.names, 'file')}, and room for {found.f_ffree}",
                "Nothing was written. Take a larger card.",
            )

    def _folders(self, volume: VolumeToMake, mounted: Path) -> Iterator[tuple[str, Path]]:
        """Places in the archive, and where the files of each go: into subvolumes, if it had some. One after the other:
        what one is filled with may have the folder that is to be the next. Raises Refused."""
        if not volume.subvolumes:
            yield str(volume.mounted), mounted
            return
        for subvolume, place in sorted((subvolume, place) for place, subvolume in volume.subvolumes.items()):
            folder = mounted / subvolume.lstrip("/")
            _refuse_links(mounted, folder)
            make_subvolume(folder)
            yield place, folder
        self.changes.append(f"{volume.piece.name}: subvolumes {', '.join(sorted(volume.subvolumes.values()))}")

    def _fill(self, volume: VolumeToMake, place: str, mounted: Path) -> None:
        if self.dry_run:
            return
        try:
            found = self.archive.find(os.fsencode(place), follow=False)
        except NotFound:
            self.warnings.append(
                f"{volume.piece.name} was mounted at {place}, of which nothing was captured: it is empty"
            )
            return
        others = {os.fsencode(other) for v in self.volumes for other in v.places if other != place}
        self.archive.trees = _TreesOfOneVolume(self.archive.root_volume.tree, others)
        total = self.needs[volume.piece.number].bytes
        picker = Picker(self.archive, True, True, total, self.reporter, self.stop)
        picker.result = self.result
        try:
            with PickedFolder.existing(mounted) as top:
                picker.fill(found, top, {os.fsencode(name) for name in top.names()})
        except ShareGone as gone:
            raise gone.error from None

    def _adapt_root(self, mounted: Path, is_subvolume: bool) -> None:
        if self.dry_run:
            return
        text = _read_fstab(mounted)
        if is_subvolume and not boot_texts.names_root_subvolume(text or ""):
            use_by_default(mounted)  # as it must have been: nothing else leads to it
        if text is None:
            return
        if is_subvolume and "subvolid=" in text:
            self.warnings.append("fstab has subvolid=, and the new subvolumes have other numbers: put subvol= there")
        for path in boot_texts.swap_files(text):
            if not os.path.lexists(mounted / path.lstrip("/")):
                self.warnings.append(
                    f"fstab has {path} for swap, which is not in the capture: make it anew on the board"
                )
        if self.root_kind is not None:
            changed, words = boot_texts.with_other_root(text, self.root_kind)
            if words:
                _write_fstab(mounted, changed)
                self.changes.append(words)
            self._adapt_kernel_words(mounted / "boot", "/boot")

    def _adapt_kernel_words(self, folder: Path, shown: str) -> None:
        if self.root_kind is None:
            return
        changed, flagged = boot_texts.change_kernel_words(folder, self.root_kind)
        self.changes.extend(f"{shown}/{path}: rootfstype={self.root_kind}" for path in changed)
        self.warnings.extend(
            f"{shown}/{path} has rootflags=, which were for the old file system: look at them" for path in flagged
        )

    def _say_what_is_not_in_it(self) -> None:
        files = self.making.record.policy.get("files")
        if isinstance(files, dict) and files.get("leave_out_secrets") is True:
            self.warnings.append("the capture was taken without keys and passwords: give the board new ones")


def _mount_options(kind: str) -> str:
    # ext4(5): the kernel would fill inode tables with zeros in the background, which they hold already.
    return "noinit_itable" if kind == "ext4" else ""


def _in_words(result: Picked) -> Iterator[str]:
    for count, names, words in (
        (result.lost_count, [f"{name} ({why})" for name, why in result.lost], "cannot be read, and are missing"),
        (len(result.torn), result.torn, "went on changing while they were captured"),
        (len(result.skipped), [f"{name} ({why})" for name, why in result.skipped], "could not be made"),
    ):
        if count:
            more = ", ..." if count > _TOLD else ""
            yield f"{counted(count, 'file')} {words}: {', '.join(names[:_TOLD])}{more}"
    for what, count in result.unset.items():
        yield f"{what} ({count})"


def _open_fstab(mounted: Path, flags: int) -> int | None:
    folder = os.open(mounted, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        inner = os.open(_FSTAB[0], os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
        try:
            return os.open(_FSTAB[1], flags | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=inner)
        finally:
            os.close(inner)
    except OSError:
        return None  # no such file, or links that could lead anywhere
    finally:
        os.close(folder)


def _refuse_links(mounted: Path, folder: Path) -> None:
    """Raises Refused if a link is on the way from `mounted` to `folder`: it may lead out of the card."""
    for place in takewhile(lambda place: place != mounted, (folder, *folder.parents)):
        if place.is_symlink():
            raise Refused(
                f"the record has a subvolume at /{folder.relative_to(mounted)}, and "
                f"/{place.relative_to(mounted)} is a link among the files",
                "Nothing was written. The record was changed, or is damaged: choose another capture.",
            )


def _read_fstab(mounted: Path) -> str | None:
    descriptor = _open_fstab(mounted, os.O_RDONLY)
    if descriptor is None:
        return None
    with open(descriptor, encoding="utf-8", errors="surrogateescape", newline="") as file:
        return file.read(1 << 20)


def _write_fstab(mounted: Path, text: str) -> None:
    descriptor = _open_fstab(mounted, os.O_WRONLY | os.O_TRUNC)
    if descriptor is not None:
        with open(descriptor, "w", encoding="utf-8", errors="surrogateescape", newline="") as file:
            file.write(text)
