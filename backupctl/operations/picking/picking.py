"""Putting files out of a capture into a folder, with what belongs to them."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

from backupctl.domain.errors import BackupctlError, Damaged, Malformed, NoRoom, Refused
from backupctl.formats.file_tree import Node
from backupctl.formats.mounted_trees import Found
from backupctl.operations.picking.captured_files import CapturedFiles
from backupctl.operations.picking.picked_folder import PickedFolder, unfinished_name
from backupctl.operations.picking.picked_modes import picked_mode
from backupctl.operations.progress import Reporter, Step, Stop

_CHUNK = 1 << 20
_DEEPEST = 200  # folders within folders; each is a descriptor while it is being filled
_TOLD_MOST = 1000  # names of each kind that a result has
_FULL = (errno.ENOSPC, errno.EDQUOT)
_NO_LINKS = (errno.EPERM, errno.EACCES, errno.EOPNOTSUPP, errno.EMLINK, errno.ENOSYS, errno.EXDEV)
_FOR_ALL = b"user."
_NOT_ON_WINDOWS = re.compile(r'[\x00-\x1f\\:*?"<>|]|[. ]$|^(con|prn|aux|nul|com\d|lpt\d)(\.|$)', re.IGNORECASE)
_ACLS = (b"system.posix_acl_access", b"system.posix_acl_default")

Result = TypeVar("Result")


class ShareGone(Exception):
    """An error of the share, told apart from those of the folder that is written to."""

    def __init__(self, error: OSError) -> None:
        super().__init__(str(error))
        self.error = error


@dataclass
class Picked:
    """What came of it. Paths are those in the capture."""

    files: int = 0
    folders: int = 0
    others: int = 0
    bytes: int = 0
    lost: list[tuple[str, str]] = field(default_factory=list)  # cannot be read, and why
    lost_count: int = 0
    is_damage: bool = False  # one of them because of the share
    unreadable: list[str] = field(default_factory=list)  # with zeros in place of what the card did not give
    torn: list[str] = field(default_factory=list)  # went on changing while they were captured
    skipped: list[tuple[str, str]] = field(default_factory=list)  # cannot be made here, and why
    unset: Counter[str] = field(default_factory=Counter)  # what could not be set, and for how many


class Picker:
    """Copies nodes and what is below them. `total`: bytes that are likely to be read, for the progress."""

    def __init__(
        self, files: CapturedFiles, special: bool, is_root: bool, total: int, reporter: Reporter, stop: Stop
    ) -> None:
        self.result = Picked()
        self._files = files
        self._special = special and is_root
        self._is_root = is_root
        self._total = total
        self._reporter = reporter
        self._stop = stop
        self._done = 0
        self._linked: dict[tuple[int, int], tuple[int, str]] = {}  # the first name of a file: item, path in it
        self._items: list[str] = []  # names in the top folder, that of the item under way last
        self._seen: set[tuple[int, int]] = set()  # folders
        self._top: PickedFolder | None = None

    def pick(self, found: Found, top: PickedFolder, name: str) -> None:
        """Puts `found` into `top` under that name, whole or not at all. Raises Refused if it is taken, NoRoom,
        OSError of the folder, ShareGone; if it is a file, also Malformed and Damaged."""
        beside = unfinished_name(name)
        self._top = top
        self._items.append(beside)
        try:
            self._put(found, top, beside, "", is_item=True)
            if not top.exists(beside):
                raise Refused(f"{_text(found)} is a {found.node.kind}, which is not made here", "See --special.")
            top.rename(beside, name)
            self._items[-1] = name
        except OSError as error:
            raise _no_room(error) if error.errno in _FULL else error from None
        finally:
            top.remove(beside)

    def fill(self, found: Found, top: PickedFolder, besides: Collection[bytes] = ()) -> None:
        """Puts what is in the folder `found` into `top`, and gives `top` what belongs to `found`; all, or nothing.

        `besides`: names that are left out. Until the end, only the owner of `top` may enter it. Raises as `pick`.
        """
        self._top = top
        self._items.append(".")
        taken, is_done = set(top.names()), False
        try:
            with _private(top):
                self._put_all(found, top, "", besides)
                if top.descriptor is not None:
                    self._finish(found, top.descriptor, [])
            is_done = True
        except OSError as error:
            raise _no_room(error) if error.errno in _FULL else error from None
        finally:
            for name in set[str]() if is_done else set(top.names()) - taken:
                top.remove(name)

    def _put(self, found: Found, into: PickedFolder, name: str, within: str, is_item: bool = False) -> None:
        """`within`: the path below the item, "" for the item itself."""
        self._stop.check()
        node = found.node
        key = (id(found.tree), node.number)
        if node.kind != "folder" and node.links > 1 and self._link_again(key, into, name):
            self.result.files += 1
            self._done += node.size
            return
        folders = [folder.node for folder in found.parents] if is_item else []
        if node.kind == "folder":
            self._put_folder(found, into, name, within, folders)
            return
        if node.kind == "file":
            self._put_file(found, into, name, folders)
        elif not self._put_other(found, into, name):
            return
        if node.links > 1:
            self._linked[key] = (len(self._items) - 1, within)

    def _link_again(self, key: tuple[int, int], into: PickedFolder, name: str) -> bool:
        first = self._linked.get(key)
        if first is None or self._top is None:
            return False
        item, within = first
        try:
            into.link(name, self._top, f"{self._items[item]}/{within}" if within else self._items[item])
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            self.result.unset["hard links, each of which is a file of its own now"] += 1
            return False
        return True

    def _put_file(self, found: Found, into: PickedFolder, name: str, folders: Sequence[Node]) -> None:
        node = found.node
        descriptor = into.create(name)
        try:
            os.ftruncate(descriptor, node.size)
            pieces = iter(found.tree.pieces(node))
            while (piece := self._read(lambda: next(pieces, None))) is not None:
                for start in range(0, piece.length, _CHUNK):
                    self._stop.check()
                    length = min(_CHUNK, piece.length - start)
                    offset = piece.offset + start
                    _write(descriptor, offset, self._read(partial(found.tree.read, node, offset, length)))
                    self._done += length
                    self.result.bytes += length
                    self._reporter.step(Step("picking", min(self._done, self._total), self._total))
            if self._read(lambda: self._files.unreadable(found)):
                self._tell(self.result.unreadable, _text(found))
            if self._files.torn(found):
                self._tell(self.result.torn, _text(found))
            self._finish(found, descriptor, folders)
        except BaseException:
            os.close(descriptor)
            into.remove_file(name)
            raise
        os.close(descriptor)
        if not hasattr(os, "fchmod"):
            into.set_modified(name, node.modified_ns)
        self.result.files += 1

    def _put_folder(self, found: Found, into: PickedFolder, name: str, within: str, folders: Sequence[Node]) -> None:
        key = (id(found.tree), found.node.number)
        if key in self._seen:
            raise Malformed(f"folder {_text(found)}", 0, "each folder once", "one that is in itself, or in two places")
        self._seen.add(key)
        if within.count("/") > _DEEPEST:
            raise Malformed(f"folder {_text(found)}", 0, f"at most {_DEEPEST} folders in each other", "more")
        with into.make_folder(name) as folder:
            self.result.folders += 1
            self._put_all(found, folder, within)
            if folder.descriptor is not None:
                self._finish(found, folder.descriptor, folders)
        if into.descriptor is None:
            into.set_modified(name, found.node.modified_ns)

    def _put_all(self, found: Found, folder: PickedFolder, within: str, besides: Collection[bytes] = ()) -> None:
        """What is in the folder `found`."""
        names = iter(self._files.trees.names(found))
        while True:
            try:
                entry = self._read(lambda: next(names, None))
                if entry is None:
                    break
            except (Malformed, Damaged) as error:
                self._lose(_text(found), error)  # what comes behind that place is lost
                break
            if entry[0] not in besides:
                self._put_below(found, *entry, folder, within)

    def _put_below(self, parent: Found, name: bytes, number: int, folder: PickedFolder, within: str) -> None:
        text = os.fsdecode(name)
        shown = f"{_text(parent).rstrip('/')}/{text}"
        try:
            if not _can_be_made(text):
                raise OSError(errno.EINVAL, "a name that this system cannot have")
            below = self._read(lambda: self._files.trees.entered(parent, name, number))
            self._put(below, folder, text, f"{within}/{text}".lstrip("/"))
        except (Malformed, Damaged) as error:
            self._lose(shown, error)
        except OSError as error:
            if error.errno in (*_FULL, errno.EROFS, errno.EIO):
                raise
            self._tell(self.result.skipped, (shown, error.strerror or str(error)))

    def _put_other(self, found: Found, into: PickedFolder, name: str) -> bool:
        """Links, pipes and devices; whether it was made."""
        node = found.node
        if node.kind == "link":
            into.make_link(name, self._read(lambda: found.tree.target(node)))
            if self._is_root:
                into.set_owner(name, node.user, node.group)
            self._set_attributes(found, partial(into.set_attribute, name), self._is_root, True)
        elif node.kind == "fifo":
            into.make_node(name, stat.S_IFIFO | 0o600, 0)
            descriptor = into.open_pipe(name)
            try:
                self._finish(found, descriptor, [])
            finally:
                os.close(descriptor)
        elif node.device and self._special:
            kind = stat.S_IFCHR if node.kind == "character device" else stat.S_IFBLK
            into.make_node(name, kind | node.mode, os.makedev(*node.device))
            into.set_owner(name, node.user, node.group)
            self._set_attributes(found, partial(into.set_attribute, name), True, True)
        else:
            self.result.unset["sockets, not made" if node.kind == "socket" else "devices, not made"] += 1
            return False
        into.set_modified(name, node.modified_ns)
        self.result.others += 1
        return True

    def _finish(self, found: Found, descriptor: int, folders: Sequence[Node]) -> None:
        """Owner, permissions, attributes and time; in this order, since each takes away something of the next."""
        node = found.node
        owners_kept = self._is_root
        if self._is_root:
            try:
                os.chown(descriptor, node.user, node.group)
            except OSError:
                owners_kept = False
        if not owners_kept and (node.user, node.group) != (_user(), _group()):
            self.result.unset["owners: they are yours now"] += 1
        mode = picked_mode(node, folders, owners_kept, self._special)
        if mode != node.mode:
            if (mode ^ node.mode) & 0o6000:
                self.result.unset["set-user-ID and set-group-ID"] += 1
            if (mode ^ node.mode) & 0o077:
                self.result.unset[
                    "permissions, narrowed: others could not get at it on the board, or are others here"
                ] += 1
        if hasattr(os, "fchmod"):
            os.fchmod(descriptor, mode)
        set_one = partial(os.setxattr, descriptor) if hasattr(os, "setxattr") else None
        self._set_attributes(found, set_one, owners_kept, mode == node.mode)
        if os.utime in os.supports_fd:
            try:
                os.utime(descriptor, ns=(node.modified_ns, node.modified_ns))
            except (OSError, OverflowError):
                self.result.unset["times, which this file system cannot hold"] += 1

    def _set_attributes(
        self, found: Found, set_one: Callable[[bytes, bytes], None] | None, owners_kept: bool, is_as_open: bool
    ) -> None:
        try:
            attributes = self._read(lambda: found.tree.attributes(found.node))
        except (Malformed, Damaged):
            self.result.unset["extended attributes, which are damaged"] += 1
            return
        for name, value in attributes.items():
            what = f"extended attributes {os.fsdecode(name.partition(b'.')[0])}.*"
            if name in _ACLS:
                what = "access control lists"
                # Whom a list names by number is somebody else where the owners are others.
                allowed = owners_kept and is_as_open
            elif name == b"security.capability":
                what, allowed = "capabilities of programs", self._special
            else:
                allowed = name.startswith(_FOR_ALL) or self._is_root
            try:
                if not allowed or set_one is None:
                    raise PermissionError
                set_one(name, value)
            except OSError:
                self.result.unset[what] += 1

    def _read(self, call: Callable[[], Result]) -> Result:
        try:
            return call()
        except OSError as error:
            raise ShareGone(error) from error

    def _lose(self, path: str, error: BackupctlError) -> None:
        self.result.lost_count += 1
        self.result.is_damage |= isinstance(error, Damaged)
        if len(self.result.lost) < _TOLD_MOST:
            self.result.lost.append((path, error.cause))

    def _tell(self, told: list[Result], entry: Result) -> None:
        if len(told) < _TOLD_MOST:
            told.append(entry)


@contextmanager
def _private(folder: PickedFolder) -> Iterator[None]:
    """A folder that only its owner may enter; as it was before where the block does not end well. Raises Refused."""
    if folder.descriptor is None:
        yield
        return
    before = stat.S_IMODE(os.fstat(folder.descriptor).st_mode)
    try:
        os.fchmod(folder.descriptor, 0o700)
    except PermissionError:
        raise Refused(f"{folder.path} is somebody else's folder", "Name one of yours, or a new one.") from None
    try:
        yield
    except BaseException:
        os.fchmod(folder.descriptor, before)
        raise


def _write(descriptor: int, offset: int, content: bytes) -> None:
    os.lseek(descriptor, offset, os.SEEK_SET)
    left = memoryview(content)
    while left:
        left = left[os.write(descriptor, left) :]


def _can_be_made(name: str) -> bool:
    """Windows takes some names for devices, and others for paths ("Naming Files, Paths, and Namespaces")."""
    return os.name != "nt" or not _NOT_ON_WINDOWS.search(name)


def _text(found: Found) -> str:
    return os.fsdecode(found.path)


def _no_room(error: OSError) -> NoRoom:
    return NoRoom(
        f"the folder is full: {error.strerror}",
        "What was picked of this is removed again. Make room, or name another folder.",
    )


def _user() -> int:
    return os.geteuid() if hasattr(os, "geteuid") else 0


def _group() -> int:
    return os.getegid() if hasattr(os, "getegid") else 0
