"""Which files a capture reads: a folder, those that the policy names, or all of the card that a board runs from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from backupctl.board.tree_walk import TreeWalk, is_tagged, never_tagged
from backupctl.domain.choosing import Choice
from backupctl.domain.errors import NotFound, Refused, UsageError
from backupctl.domain.policy import Policy


@dataclass(frozen=True)
class TreeSource:
    """`starts`: folders below `root`, b"" for all of it; each is captured as far as its own file system goes."""

    path: str  # as people know it
    root: bytes
    starts: tuple[bytes, ...]
    identity: dict[str, Any]  # what the record says of it
    card: Path | None = None  # the whole of which these are all files
    live: ClassVar[None] = None
    kind: ClassVar[str] = "files"

    @property
    def places(self) -> frozenset[str]:
        """Whole paths of `starts`."""
        return frozenset(os.fsdecode(os.path.join(self.root, start)) for start in self.starts)  # noqa: PTH118 - bytes

    @property
    def used_bytes(self) -> int:
        """Of the file systems that it is on."""
        used = {}
        for place in self.places:
            found = os.statvfs(place)
            used[os.stat(place).st_dev] = (found.f_blocks - found.f_bfree) * found.f_frsize  # noqa: PTH116
        return sum(used.values())


def folder_source(folder: Path) -> TreeSource:
    """A folder by itself. Raises NotFound, UsageError if it is none."""
    if not folder.exists():
        raise NotFound(f"there is no folder {folder}")
    if not folder.is_dir():
        raise UsageError(
            f"{folder} is no folder", "A card is captured as an image, or mounted and captured as a folder."
        )
    real = folder.resolve()
    identity = {"path": str(real), "model": None, "serial": None, "cid": None}
    return TreeSource(str(real), os.fsencode(real), (b"",), identity)


def roots_source(roots: tuple[str, ...]) -> TreeSource:
    """Folders of this system. Raises UsageError for what is no whole path, NotFound where none of them is there."""
    starts = []
    for root in roots:
        if not root.startswith("/"):
            raise UsageError(f"[files] of the policy: {root} is not the whole path of a folder")
        if Path(root).is_dir():
            starts.append(os.fsencode(os.path.normpath(root)).lstrip(b"/"))
    if not starts:
        raise NotFound(f"none of the policy's folders is there: {', '.join(roots)}", "See [files] of the policy.")
    kept = tuple(sorted(set(starts)))
    identity = {**_system(), "path": " ".join(roots), "roots": list(roots)}
    return TreeSource(" ".join(roots), b"/", kept, identity)


def board_source(card: Path) -> TreeSource:
    """All file systems of the card that this system runs from, as they are mounted. Raises Refused, OSError."""
    from backupctl.board.block_device import disk_of
    from backupctl.board.mounted import file_systems_on

    disk = disk_of(card)
    starts = []
    for file_system in file_systems_on(disk):
        if file_system.beneath:
            continue  # it lies in a file of one of the others
        # Where it, or a subvolume of it, is seen whole: a bind mount shows a folder of it, and shows it twice.
        seen = [place.mount for place in file_system.places if place.viewer == "self"]
        whole: dict[str, str] = {}
        for mount in sorted((mount for mount in seen if mount.is_whole), key=lambda mount: len(mount.mount_point)):
            whole.setdefault(mount.subvolume, mount.mount_point)
        if len(whole) > 1 and whole.get("", "/") != "/":
            del whole[""]  # which would show the others once more
        starts += [os.fsencode(place).lstrip(b"/") for place in whole.values()]
    if b"" not in starts:
        raise Refused(
            f"the root of this system is not a file system of {card} that could be captured whole",
            "Name the folders: [files] roots of the policy, or --source.",
        )
    identity = {"path": str(card), "model": disk.model, "serial": disk.serial, "cid": disk.cid, **_system()}
    return TreeSource("the file systems of " + str(card), b"/", tuple(sorted(set(starts))), identity, card)


def _system() -> dict[str, Any]:
    from backupctl.board.host import hardware

    return {"system": hardware()}


def _is_apart(folder: bytes) -> bool:
    """Whether something is mounted there, or it is a snapshot; any other subvolume of btrfs is a folder like others."""
    from backupctl.board.mounts import read_mounts
    from backupctl.board.subvolume import is_snapshot

    # As they are by now: this is asked rarely, and a share may come while the walk goes on.
    return any(os.fsencode(mount.mount_point) == folder for mount in read_mounts()) or is_snapshot(folder)


def _swap_files() -> frozenset[bytes]:
    """Those in use, wherever they are: worth nothing after a start, and as large as memory."""
    from backupctl.board.block_device import swap_names

    return frozenset(os.fsencode(name) for name in swap_names() if name.startswith("/"))


def walk_of(tree: TreeSource, policy: Policy) -> TreeWalk:
    """Through all that comes along of it."""
    files = policy.files
    return TreeWalk(
        tree.root, tree.starts, Choice.compile(files, of_system=tree.root == b"/"), not files.other_file_systems,
        is_tagged if files.leave_out_tagged_caches else never_tagged, policy.quiesce.sqlite, _is_apart,
        _swap_files() if files.leave_out_usual else (),
    )  # fmt: skip
