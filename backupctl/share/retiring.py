"""Removing a whole shelf: the order in which it goes, and what a crash after each step leaves.

With the lock held, and nobody reading:

1. `shelf.json` is renamed to `retired.json`, and that is synced. Before, the shelf is whole; from now on nobody can
   open it, and it says itself that it is to go: `boards retire` goes on with it;
2. the records are unlinked: no capture is left. Somebody who had opened the shelf before step 1 may begin to read one
   until then, and leaves a mark first (`share/readers.py`);
3. so the marks are looked at again. Whoever reads may finish; the rest of this is for a later run;
4. all else goes that stands in the folders of a shelf.

Without the lock, which nobody can take any more:

5. the lock's own folder goes, and last `retired.json`, once there is nothing else.

Nothing goes to the trash: it is part of what goes.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from backupctl.domain.names import BOARD, CAPTURE_ID
from backupctl.share.captures import record_name
from backupctl.share.lock import Lock
from backupctl.share.marks import RETIRED_MARK, SHELF_MARK, read_shelf_mark
from backupctl.share.shelf import FILES, FOLDERS, Shelf
from backupctl.share.storage import FolderStorage, Storage

_LOCK = "busy"


def retired_boards(folder: Path) -> list[str]:
    """Boards of a share whose shelves are to go, and have not quite gone."""
    storage = FolderStorage(folder)
    return [name for name in storage.names("boards") if BOARD.fullmatch(name) and _is_retired(storage, name)]


def _is_retired(storage: Storage, board: str) -> bool:
    return storage.size(f"boards/{board}/{RETIRED_MARK}") is not None


def open_retired(folder: Path, board: str) -> Shelf | None:
    """The shelf of a board, if it is to go; `folder` is a share, or the shelf itself. Raises Malformed, Refused."""
    for path in (folder / "boards" / board, folder):
        storage = FolderStorage(path)
        mark = read_shelf_mark(storage, RETIRED_MARK) if path.is_dir() else None
        if mark is not None and mark.board == board:
            return Shelf(storage, mark, path)
    return None


def take_mark(storage: Storage, lock: Lock) -> None:
    """Step 1. Raises OSError, Busy."""
    if storage.size(RETIRED_MARK) is None:
        lock.check()
        try:
            storage.rename(SHELF_MARK, RETIRED_MARK)
        except OSError:
            # A network file system may report an error for a rename that has happened (rename(2)).
            if storage.size(RETIRED_MARK) is None:
                raise
    storage.sync_folder("")


def remove_records(storage: Storage, lock: Lock) -> None:
    """Step 2. Raises OSError, Busy."""
    for capture in storage.names("captures"):
        if CAPTURE_ID.fullmatch(capture) and storage.size(record_name(capture)) is not None:
            lock.check()
            storage.unlink(record_name(capture))


def remove_all_but_lock(storage: Storage, lock: Lock) -> None:
    """Step 4. Raises OSError, Busy."""
    for folder in FOLDERS:
        if folder != _LOCK:
            lock.check()
            _remove_folder(storage, folder)
    for name in (*FILES, f"{SHELF_MARK}.new"):
        if storage.size(name) is not None:
            storage.unlink(name)


def remove_lock_and_mark(storage: Storage) -> list[str]:
    """Step 5. What is left in the shelf's folder, which is none of ours; the mark stays as long as something does."""
    _remove_folder(storage, _LOCK)
    storage.sync_folder("")
    left = [name for name in storage.names("") if name != RETIRED_MARK]
    if not left:
        storage.unlink(RETIRED_MARK)
        storage.sync_folder("")
    return left


def _remove_folder(storage: Storage, folder: str) -> None:
    """With the files in it, and in its folders. Others may keep files there as well: then the folder stays."""
    for name in storage.names(folder):
        path = f"{folder}/{name}"
        if storage.size(path) is not None:
            storage.unlink(path)
            continue
        with suppress(NotADirectoryError, FileNotFoundError):
            for inner in storage.names(path):
                if storage.size(f"{path}/{inner}") is not None:
                    storage.unlink(f"{path}/{inner}")
            _remove_empty(storage, path)
    with suppress(FileNotFoundError):
        _remove_empty(storage, folder)


def _remove_empty(storage: Storage, folder: str) -> None:
    if not storage.names(folder):
        storage.remove_folder(folder)
