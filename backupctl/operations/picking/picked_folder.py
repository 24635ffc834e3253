"""A folder that picked files are put into: by descriptor where the system can, so that nothing leads out of it.

Every name is made new (O_EXCL, mkdir), and no link is ever gone through, whatever the capture holds and whoever else
may write there. Until a folder is finished, only its owner may enter it.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

from backupctl.domain.errors import Refused

_BY_DESCRIPTOR = os.open in os.supports_dir_fd and os.mkdir in os.supports_dir_fd
_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
_FILE |= getattr(os, "O_BINARY", 0)
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)


class PickedFolder:
    """An open folder. Methods raise OSError as the system does, FileExistsError for a name that is taken."""

    def __init__(self, path: Path, descriptor: int | None) -> None:
        self.path = path
        self.descriptor = descriptor

    @classmethod
    def existing(cls, path: Path) -> PickedFolder:
        """The folder that everything goes into; it may be reached through links."""
        flags = _FOLDER & ~getattr(os, "O_NOFOLLOW", 0)
        return cls(path, os.open(path, flags) if _BY_DESCRIPTOR else None)

    def _at(self, name: str) -> tuple[str, dict[str, int]]:
        if self.descriptor is None:
            return str(self.path / name), {}
        return name, {"dir_fd": self.descriptor}

    def _do(self, call: Callable[..., Any], name: str, *more: Any, **keywords: Any) -> Any:
        where, at = self._at(name)
        return call(where, *more, **at, **keywords)

    def exists(self, name: str) -> bool:
        try:
            self._do(os.stat, name, follow_symlinks=False)
        except FileNotFoundError:
            return False
        return True

    def names(self) -> list[str]:
        return os.listdir(self.path if self.descriptor is None else self.descriptor)  # noqa: PTH208 - by descriptor

    def make_folder(self, name: str) -> PickedFolder:
        self._do(os.mkdir, name, 0o700)
        return self.entered(name)

    def entered(self, name: str) -> PickedFolder:
        """A folder in it, which is no link."""
        return PickedFolder(self.path / name, self._do(os.open, name, _FOLDER) if _BY_DESCRIPTOR else None)

    def create(self, name: str) -> int:
        """The descriptor of a new file that nobody else may read yet."""
        found = self._do(os.open, name, _FILE, 0o600)
        return int(found)

    def make_link(self, name: str, target: bytes) -> None:
        text = os.fsdecode(target)
        if self.descriptor is None:
            (self.path / name).symlink_to(text)
        else:
            os.symlink(text, name, dir_fd=self.descriptor)

    def make_node(self, name: str, mode: int, device: int) -> None:
        if getattr(os, "mknod", None) not in os.supports_dir_fd:
            raise OSError(errno.ENOTSUP, "pipes and devices cannot be made on this system")
        self._do(os.mknod, name, mode, device)
        self._do(os.chmod, name, mode & 0o7777)  # of which the process's own mask took some (mknod(2))

    def link(self, name: str, top: PickedFolder, existing: str) -> None:
        """Another name for `existing`, a path of names below `top`."""
        if self.descriptor is None or top.descriptor is None:
            os.link(top.path / existing, self.path / name, follow_symlinks=False)
        else:
            os.link(
                existing, name, src_dir_fd=top.descriptor, dst_dir_fd=self.descriptor, follow_symlinks=False
            )  # fmt: skip

    def set_owner(self, name: str, user: int, group: int) -> None:
        self._do(os.chown, name, user, group, follow_symlinks=False)

    def set_modified(self, name: str, nanoseconds: int) -> None:
        if os.utime in os.supports_follow_symlinks:
            self._do(os.utime, name, ns=(nanoseconds, nanoseconds), follow_symlinks=False)
        elif not self.is_link(name):
            self._do(os.utime, name, ns=(nanoseconds, nanoseconds))

    def is_link(self, name: str) -> bool:
        return stat.S_ISLNK(self._do(os.stat, name, follow_symlinks=False).st_mode)

    def set_attribute(self, name: str, attribute: bytes, value: bytes) -> None:
        """Of a link or a device, which are not opened: no call takes a name in a folder, but proc(5) leads to it."""
        if self.descriptor is None or not hasattr(os, "setxattr"):
            raise OSError(errno.ENOTSUP, "no extended attributes on this system")
        os.setxattr(f"/proc/self/fd/{self.descriptor}/{name}", attribute, value, follow_symlinks=False)

    def open_pipe(self, name: str) -> int:
        """The descriptor of a pipe, for setting what it is to have."""
        return int(self._do(os.open, name, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC))

    def remove_file(self, name: str) -> None:
        self._do(os.unlink, name)

    def remove(self, name: str) -> None:
        """Whatever has that name, with all that is in it; nothing if there is none."""
        try:
            if not stat.S_ISDIR(self._do(os.stat, name, follow_symlinks=False).st_mode):
                self._do(os.unlink, name)
                return
        except FileNotFoundError:
            return
        try:
            folder = self.entered(name)
        except PermissionError:
            self._do(os.chmod, name, 0o700)
            folder = self.entered(name)
        with folder:
            if folder.descriptor is not None:
                os.fchmod(folder.descriptor, 0o700)  # it may have been finished, and closed to its owner
            for below in folder.names():
                folder.remove(below)
        self._do(os.rmdir, name)

    def rename(self, old: str, new: str) -> None:
        """Raises Refused if something has the new name by now."""
        try:
            # Unlike a rename, it never replaces what is there (link(2)); folders and some file systems have no links.
            self.link(new, self, old)
            self.remove_file(old)
            return
        except FileExistsError:
            pass
        except OSError:
            if not self.exists(new):
                if self.descriptor is None:
                    os.rename(self.path / old, self.path / new)  # noqa: PTH104 - beside the call with descriptors
                else:
                    os.rename(old, new, src_dir_fd=self.descriptor, dst_dir_fd=self.descriptor)
                return
        raise Refused(f"{self.path / new} came to be meanwhile", "Nothing is overwritten. Choose another name.")

    def close(self) -> None:
        if self.descriptor is not None:
            os.close(self.descriptor)
            self.descriptor = None

    def __enter__(self) -> PickedFolder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def unfinished_name(name: str) -> str:
    """A name for what is not whole yet, that no other run has."""
    return f".{name[:100]}.{secrets.token_hex(4)}.part"
