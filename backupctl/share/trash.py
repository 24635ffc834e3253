"""Removal: the order in which things leave a shelf, and what a crash after each step leaves.

Nothing that somebody may need is unlinked. It is renamed into a *tray*, `trash/<lock generation>-<random>/`, and a
later run empties the tray. With the lock held:

1. the event `thinning` says what is meant to go, and why;
2. the tray is made: empty, it means nothing;
3. of each capture the record is moved there: **the capture has gone**. All that is synced before anything else moves,
   so no power cut brings a capture back whose parts have gone. A crash leaves some captures, whole, and folders
   without a record of the others;
4. marks of readers (`share/readers.py`) are looked at, and only then is it decided which parts nothing needs. A
   reader leaves its mark first and then looks whether the record is still there, so one of the two sees the other;
5. those parts are moved, each before its table: a part without a table would be taken for what an unfinished run
   left. A crash leaves parts that nothing needs, which the next thinning finds, and perhaps one table without its
   part, which `close_open_trays` sees to;
6. contents and the rest of the captures' folders are moved, and the folders removed;
7. `tray.json` is written into the tray: it is closed. Its time, by the server's clock, is what the grace counts from;
8. the event `thinned` says what has gone.

A later thinning empties trays that have been closed for a day and for two runs: long enough for whoever reads without
a mark (a share that cannot be written), who finds in the trash the parts that have gone from the stock (`find`).
Before that it brings back what a capture lacks (`bring_back`), for a copy that was needed no more may be the last
intact one by now. A crash leaves a closed tray with fewer files, which is emptied by the next.

**A run that stood still, and wakes up after its lock was taken over,** can remove nothing. All that it might still do
to captures and parts is to rename them into its own tray, and it makes that only once; who takes over first empties
the trays that are not closed into one of its own and removes them, so these renames fail. Until that is done nobody
has relied on anything; from then on nothing can go. (Some servers keep a folder of their own in every folder, and
such a tray cannot be removed: what is lost by that is brought back.)
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType

from backupctl.domain.errors import BackupctlError, Malformed
from backupctl.domain.names import CAPTURE_ID, PART, PART_SUFFIX, TABLE_SUFFIX, TRAY
from backupctl.share.lock import Lock
from backupctl.share.marks import ShelfMark
from backupctl.share.parts import list_parts, part_name
from backupctl.share.storage import Storage, write_whole
from backupctl.share.tables import Row, read_table, table_name

_FOLDER, _CLOSED = "trash", "tray.json"
_TRIES = 5


@dataclass(frozen=True)
class Grace:
    """How long removed files stay in the trash, and work that no run has finished stays on the shelf."""

    seconds: float = 86_400.0  # by the server's clock
    runs: int = 2  # of those that had the lock
    unfinished_seconds: float = 2 * 86_400.0


FULL = Grace()
SHORT = Grace(0, 1)  # where room is short: all that runs before this one removed
AT_ONCE = Grace(0, 0, 0)


class Tray:
    """What one run removes; made when the first file comes. A block that ends well closes it."""

    def __init__(self, storage: Storage, lock: Lock) -> None:
        self._storage = storage
        self._lock = lock
        self._folder = f"{_FOLDER}/{lock.generation:010}-{secrets.token_hex(4)}"
        self._is_made = False

    def take(self, name: str) -> None:
        """Moves one file here. Raises Busy if another run has taken over, OSError."""
        if not self._is_made:
            self._storage.make_folder(self._folder)
            self._storage.sync_folder(_FOLDER)
            self._is_made = True
        self._lock.check()  # after the folder was made: see above
        try:
            _move(self._storage, name, f"{self._folder}/{_name_in_tray(name)}")
        except OSError:
            self._lock.check()
            raise

    def sync(self, *sources: str) -> None:
        """Makes what was moved here from the folders `sources` stay moved."""
        if self._is_made:
            for folder in (*sources, self._folder):
                self._storage.sync_folder(folder)

    def close(self) -> None:
        """From now on the files' time in the trash counts. Raises OSError."""
        if self._is_made:
            self.sync()
            text = json.dumps({"backupctl": "tray", "lock": self._lock.token})
            write_whole(self._storage, f"{self._folder}/{_CLOSED}", f"{text}\n".encode())
            self._storage.sync_folder(self._folder)

    def __enter__(self) -> Tray:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        if error is None:
            self.close()


def _name_in_tray(name: str) -> str:
    """Parts and tables keep their names, which are random; a capture's files get its id in front."""
    pieces = name.split("/")
    return ".".join(pieces[1:]) if CAPTURE_ID.fullmatch(pieces[1]) else pieces[-1]


def _move(storage: Storage, old: str, new: str) -> None:
    try:
        storage.rename(old, new)
    except OSError:
        # A network file system may report an error for a rename that has happened (rename(2)).
        if storage.size(new) is None or storage.size(old) is not None:
            raise


def close_open_trays(storage: Storage, lock: Lock) -> None:
    """Empties the trays that earlier runs did not close into one of its own; see above. Call before all else.

    Raises OSError, Busy.
    """
    for folder in _trays(storage):
        if storage.size(f"{folder}/{_CLOSED}") is None:
            with Tray(storage, lock) as tray:
                _move_all(storage, folder, tray)
            storage.sync_folder(_FOLDER)


def _move_all(storage: Storage, folder: str, tray: Tray) -> None:
    for _ in range(_TRIES):
        files = _files(storage, folder)
        for name in files:
            tray.take(f"{folder}/{name}")
            part = name.removesuffix(PART_SUFFIX)
            if PART.fullmatch(part) and storage.size(table_name(part)) is not None:
                tray.take(table_name(part))
        tray.sync("stock", folder)
        try:
            storage.remove_folder(folder)
        except OSError:
            if not files:
                return  # what else is in it is none of ours
        else:
            return
    raise BackupctlError(
        f"{folder} on the share cannot be removed: files come to be in it again and again",
        "Does another program work on the share?",
    )


def _trays(storage: Storage) -> list[str]:
    return [f"{_FOLDER}/{name}" for name in storage.names(_FOLDER) if TRAY.fullmatch(name)]


def _files(storage: Storage, folder: str) -> list[str]:
    """Without folders that a NAS keeps of its own, and files that SMB lists still because somebody has them open."""
    return [name for name in storage.names(folder) if storage.size(f"{folder}/{name}") is not None]


def find(storage: Storage, name: str) -> str | None:
    """Where in the trash the part or table `name` is (`stock/...`, as it was called); None if it is not there."""
    for tray in _trays(storage):
        place = f"{tray}/{_name_in_tray(name)}"
        if storage.size(place) is not None:
            return place
    return None


def _parts_in_trash(storage: Storage) -> Iterator[tuple[str, str]]:
    """Parts that have a table beside them, each with the name of that table."""
    for tray in _trays(storage):
        names = set(storage.names(tray))
        for name in sorted(names):
            part = name.removesuffix(TABLE_SUFFIX)
            if name.endswith(TABLE_SUFFIX) and PART.fullmatch(part) and f"{part}{PART_SUFFIX}" in names:
                yield part, f"{tray}/{name}"


def parts_holding(storage: Storage, mark: ShelfMark, wanted: Callable[[str, bytes], bool]) -> list[str]:
    """Parts in the trash in which `wanted(part, hash)` is true of a segment, or perhaps: its table cannot be read.

    Raises OSError.
    """
    found = []
    for part, table in _parts_in_trash(storage):
        rows = read_table(storage, mark, part, table)
        try:
            is_wanted = any(isinstance(row, Row) and wanted(part, row.hash) for row in rows)
        except Malformed:
            is_wanted = True
        except FileNotFoundError:
            continue  # emptied since it was listed
        if is_wanted:
            found.append(part)
    return found


def bring_back(storage: Storage, part: str) -> None:
    """From the trash to the stock, where nothing has its name. Needs no lock: it only adds. Raises OSError."""
    for name in (part_name(part), table_name(part)):
        place = find(storage, name)
        if place is not None:
            _move(storage, place, name)
    storage.sync_folder("stock")


def empty(storage: Storage, lock: Lock, server_time: float, grace: Grace) -> int:
    """Unlinks what has been in the trash for so long; how many bytes the files had. Raises OSError, Busy."""
    due = [tray for tray in _trays(storage) if _is_due(storage, lock, server_time, tray, grace)]
    return sum(_empty(storage, lock, tray) for tray in due)


def _is_due(storage: Storage, lock: Lock, server_time: float, tray: str, grace: Grace) -> bool:
    closed = f"{tray}/{_CLOSED}"
    if storage.size(closed) is None or int(tray[len(_FOLDER) + 1 :][:10]) > lock.generation - grace.runs:
        return False
    # The time may have been asked for before the tray was closed.
    return max(0.0, server_time - storage.modified(closed)) >= grace.seconds


def _empty(storage: Storage, lock: Lock, tray: str) -> int:
    freed = 0
    for name in _files(storage, tray):
        if name != _CLOSED:
            size = storage.size(f"{tray}/{name}") or 0
            lock.check()
            storage.unlink(f"{tray}/{name}")
            freed += size
    storage.sync_folder(tray)
    storage.unlink(f"{tray}/{_CLOSED}")
    with suppress(OSError):  # it is not empty if somebody has one of the files open: the next run tries again
        storage.remove_folder(tray)
    storage.sync_folder(_FOLDER)
    return freed


def bytes_held(storage: Storage) -> int:
    """What lies in the trash, closed trays or not."""
    return sum(storage.size(f"{tray}/{name}") or 0 for tray in _trays(storage) for name in _files(storage, tray))


def stray_tables(storage: Storage) -> set[str]:
    """Parts of which only the table is on the shelf, and that are not in the trash."""
    parts, tables = list_parts(storage)
    return {part for part in tables - set(parts) if find(storage, part_name(part)) is None}
