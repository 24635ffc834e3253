"""A folder whose content a program makes up as it is asked: FUSE, by libfuse and its bindings (mfusepy)."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
import threading
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol

from backupctl.board.mounts import read_mounts
from backupctl.board.process import run
from backupctl.domain.errors import BackupctlError, Refused
from backupctl.formats.file_tree import Kind, Node
from backupctl.formats.mountinfo import Mount

SUBTYPE = "backupctl"
_SAID_MOST = 5  # lines
_HEARING: list[Any] = []  # what libfuse calls must not be thrown away
_READY_SECONDS = 20.0
_UNMOUNT_SECONDS = 20.0
_ENDED_SECONDS = 20.0
_TYPES: dict[Kind, int] = {
    "fifo": 0o010000,
    "character device": 0o020000,
    "folder": 0o040000,
    "block device": 0o060000,
    "file": 0o100000,
    "link": 0o120000,
    "socket": 0o140000,
}


class FolderContent(Protocol):
    """What stands in the folder, by paths like "/disk.img"; called by several threads at once.

    Methods raise OSError as a file system does; what else they raise is told to the reader as EIO.
    """

    def node(self, path: str) -> Node: ...

    def names(self, path: str) -> Iterable[str]: ...

    def read(self, path: str, offset: int, length: int) -> bytes: ...

    def write(self, path: str, offset: int, data: bytes) -> None: ...

    def target(self, path: str) -> str: ...

    def attributes(self, path: str) -> Mapping[bytes, bytes]: ...


class FuseMount:
    """`content`, to be seen in `folder` until `end`. Read-only, unless `writable`; for nobody but who mounts it."""

    def __init__(self, content: FolderContent, folder: Path, writable: bool = False) -> None:
        """Raises Refused where there is no FUSE, or it says no."""
        self.folder = folder.resolve()
        fuse = _bindings()
        ready = threading.Event()
        self._error = ""
        operations = _operations(fuse, content, ready.set)

        said = _said_by(fuse)

        def serve() -> None:
            try:
                fuse.FUSE(
                    operations, str(self.folder), foreground=True, fsname="backupctl", subtype=SUBTYPE, ro=not writable
                )
            except RuntimeError as error:
                self._error = "; ".join(said) or f"FUSE ended with {error}"
            finally:
                ready.set()

        # Not the main thread, which has to be free for signals. It ends when the folder is unmounted.
        self._thread = threading.Thread(target=serve, name="fuse", daemon=True)
        self._thread.start()
        ready.wait(_READY_SECONDS)
        if self._error or not self._thread.is_alive() or not mounts_in(self.folder):
            raise Refused(
                f"{folder} cannot be used for this{f': {self._error}' if self._error else ''}",
                "It has to be a folder of yours on a file system of this machine, and you must be allowed to use FUSE.",
            )

    @property
    def is_alive(self) -> bool:
        """Whether the folder is still served: anybody may have unmounted it."""
        return self._thread.is_alive()

    def end(self) -> None:
        """Unmounts what stands in the folder, and then the folder itself. Raises BackupctlError if that fails."""
        unmount(self.folder)
        self._thread.join(_ENDED_SECONDS)

    def __enter__(self) -> FuseMount:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()


def mounts_in(folder: Path) -> list[Mount]:
    """Our own mount on `folder`, and those that stand in it, inner ones last; none if it is not one of ours."""
    mounts = read_mounts()
    ours = [mount for mount in mounts if mount.mount_point == str(folder) and mount.fstype == f"fuse.{SUBTYPE}"]
    inside = [mount for mount in mounts if mount.mount_point.startswith(f"{folder}/")]
    return [*ours, *sorted(inside, key=lambda mount: mount.mount_point.count("/"))] if ours else []


def unmount(folder: Path) -> None:
    """Takes away all of `mounts_in`; what somebody still uses goes when that ends."""
    for mount in reversed(mounts_in(folder)):
        is_ours = mount.fstype == f"fuse.{SUBTYPE}"
        for lazily in (False, True):
            command = ["umount", *(["--lazy"] if lazily else []), "--", mount.mount_point]
            if is_ours and os.geteuid() != 0:
                command = ["fusermount3", "-u", *(["-z"] if lazily else []), "--", mount.mount_point]
            try:
                run(command, _UNMOUNT_SECONDS)
                break
            except BackupctlError:
                if lazily:
                    raise


def _bindings() -> Any:
    try:
        import mfusepy  # type: ignore[import-untyped]
    except ImportError:
        raise Refused(
            "this needs the package mfusepy", f"Install it: {sys.executable} -m pip install mfusepy"
        ) from None
    except OSError as error:  # it does not find the library
        raise Refused(f"FUSE is not installed: {error}", "On Debian: apt install fuse3") from None
    if not Path("/dev/fuse").exists():
        raise Refused("this kernel has no FUSE (/dev/fuse)", "On Debian: modprobe fuse; in a container, ask its owner.")
    return mfusepy


def _said_by(fuse: Any) -> list[str]:
    """What libfuse complains of from now on, in place of its writing that to standard error."""
    said: list[str] = []
    libc = ctypes.CDLL(None)

    # fuse_log.h: a level, and what vprintf(3) takes; a va_list is passed by its address on x86-64 and on ARM.
    def hear(_: int, form: bytes, values: int) -> None:
        text = ctypes.create_string_buffer(512)
        libc.vsnprintf(text, ctypes.c_size_t(512), form, ctypes.c_void_p(values))
        said.append(text.value.decode(errors="replace").strip())
        del said[:-_SAID_MOST]

    if hasattr(fuse._libfuse, "fuse_set_log_func"):  # of libfuse 3.7
        called = ctypes.CFUNCTYPE(None, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p)(hear)
        fuse._libfuse.fuse_set_log_func(called)
        _HEARING.append(called)
    return said


def _operations(fuse: Any, content: FolderContent, ready: Callable[[], None]) -> Any:
    def told(call: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return call(*arguments)
        except OSError as error:
            raise fuse.FuseOSError(error.errno or errno.EIO) from None
        except BackupctlError:
            raise fuse.FuseOSError(errno.EIO) from None

    class Operations(fuse.Operations):  # type: ignore[misc]
        use_ns = True

        def init(self, path: str) -> None:
            ready()

        def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
            node = told(content.node, path)
            return {
                "st_mode": _TYPES[node.kind] | node.mode,
                "st_nlink": node.links,
                "st_uid": node.user,
                "st_gid": node.group,
                "st_size": node.size,
                "st_blocks": -(-node.size // 512),
                "st_rdev": os.makedev(*node.device) if node.device else 0,
                **dict.fromkeys(("st_mtime", "st_atime", "st_ctime"), node.modified_ns),
            }

        def readdir(self, path: str, fh: int) -> Iterable[str]:
            return [".", "..", *told(lambda: list(content.names(path)))]

        def open(self, path: str, flags: int) -> int:
            return 0

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            return bytes(told(content.read, path, offset, size))

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            told(content.write, path, offset, data)
            return len(data)

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            return 0

        def readlink(self, path: str) -> str:
            return str(told(content.target, path))

        def listxattr(self, path: str) -> list[str]:
            return [os.fsdecode(name) for name in told(content.attributes, path)]

        def getxattr(self, path: str, name: str, position: int = 0) -> bytes:
            found = told(content.attributes, path).get(os.fsencode(name))
            if found is None:
                raise fuse.FuseOSError(errno.ENODATA)
            return bytes(found)

    return Operations()
