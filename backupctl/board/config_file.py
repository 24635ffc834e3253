"""Replacing a file of the system's configuration: whatever happens, it is the old one or the new one, and whole."""

from __future__ import annotations

import itertools
import os
import shutil
import tempfile
from pathlib import Path


def write_config(path: Path, data: bytes, mode: int, like: Path | None = None) -> None:
    """Puts `data` at `path` in one step, with that mode and this process's owner, or with those of `like`.

    The folder is made if it is missing (0755). Raises OSError; then what was there is as it was.
    """
    path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)  # 0600 until it is complete
    try:
        with open(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            if like is None:
                os.fchmod(descriptor, mode)
            else:
                shutil.copystat(like, name)  # extended attributes as well: SELinux's label is one
                found = like.stat()
                os.fchown(descriptor, found.st_uid, found.st_gid)
            os.fsync(descriptor)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def keep_copy(path: Path) -> Path:
    """A copy beside a file, as NAME.old-1 or the next number that is free, for this user alone. Raises OSError.

    It may hold the very password that is being taken out of the file. Not named for the time: the clock of a board may
    say anything.
    """
    for number in itertools.count(1):
        copy = path.with_name(f"{path.name}.old-{number}")
        try:
            os.close(os.open(copy, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        except FileExistsError:
            continue
        break
    write_config(copy, path.read_bytes(), 0o600)
    return copy


def _sync_folder(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
