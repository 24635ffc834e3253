"""Databases of SQLite in WAL mode, copied by SQLite itself: the file alone lacks what is in the log beside it."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from backupctl.board.tree_files import open_file, path_of
from backupctl.board.tree_walk import Found

# "Database File Format", 1.3: the first 16 bytes, and bytes 18 and 19, which are 2 in WAL mode.
_HEADER, _WAL = b"SQLite format 3\0", b"\2\2"
_PAGES = 256  # that are copied while nobody else may write
_WAIT_SECONDS = 10.0


class DatabaseCopies:
    """Makes copies in `scratch`, of which only a descriptor remains: nothing is left behind, whatever happens.

    `problem` hears of a database that could not be copied so: it is read as it is then.
    """

    def __init__(self, scratch: Path, problem: Callable[[str], None]) -> None:
        self._scratch = scratch
        self._problem = problem

    def copy_of(self, found: Found) -> int | None:
        """A descriptor of a copy in which all that was committed is; None for what is no such database.

        Raises OSError if the file cannot be read.
        """
        descriptor = open_file(found.within, found.name)
        try:
            head = os.pread(descriptor, 20, 0)
        finally:
            os.close(descriptor)
        if not head.startswith(_HEADER) or head[18:20] != _WAL:
            return None
        with tempfile.NamedTemporaryFile(prefix="backupctl-", dir=self._scratch) as copy:
            try:
                _copy(path_of(found.within, found.name), copy.name)
            except sqlite3.Error as error:
                self._problem(f"database /{os.fsdecode(found.path)} could not be copied by SQLite: {error}")
                return None
            return os.open(copy.name, os.O_RDONLY | os.O_CLOEXEC)


def _copy(source: str, target: str) -> None:
    """Raises sqlite3.Error, also where the copy does not pass its check."""
    # A path within /proc needs no escaping but for these (RFC 3986); read-only, so that no log is written back.
    uri = "file:" + source.replace("%", "%25").replace("?", "%3f").replace("#", "%23") + "?mode=ro"
    with (
        closing(sqlite3.connect(uri, uri=True, timeout=_WAIT_SECONDS)) as original,
        closing(sqlite3.connect(target)) as copy,
    ):
        original.backup(copy, pages=_PAGES)
        copy.execute("PRAGMA journal_mode = DELETE")  # what is in the copy's own log goes into it
        said = copy.execute("PRAGMA integrity_check(1)").fetchone()
        if said != ("ok",):
            raise sqlite3.DatabaseError(f"the copy fails its check: {said[0] if said else 'no answer'}")
        copy.execute("PRAGMA journal_mode = WAL")
    for log in (target + "-wal", target + "-shm"):
        Path(log).unlink(missing_ok=True)
