"""A shelf that has been opened: its storage, its mark, what its manifest says, and its segments."""

from __future__ import annotations

import errno
import secrets
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from backupctl import __version__
from backupctl.domain.errors import Malformed, NotFound, Refused
from backupctl.domain.events import History
from backupctl.domain.names import BOARD, checked_board
from backupctl.domain.segments import Place
from backupctl.share.ballast import BALLAST, make_ballast
from backupctl.share.hashing import Hashing
from backupctl.share.index import SegmentIndex
from backupctl.share.marks import (
    RETIRED_MARK,
    SHARE_MARK,
    SHELF_MARK,
    ShareMark,
    ShelfMark,
    read_share_mark,
    read_shelf_mark,
    write_share_mark,
    write_shelf_mark,
)
from backupctl.share.parts import list_parts, part_name, scan_part
from backupctl.share.storage import FolderStorage, Storage, write_whole
from backupctl.share.tables import Row, read_table

FOLDERS = ("manifest", "captures", "stock", "unfinished", "readers", "trash", "probe", "busy")
FILES = ("HOW-TO-RESTORE.txt", "rebuild.sh", BALLAST)  # beside the mark
MADE_BY = f"backupctl {__version__}"


@dataclass(frozen=True)
class Shelf:
    """One board's shelf."""

    storage: Storage
    mark: ShelfMark
    path: Path

    @property
    def share_folder(self) -> Path:
        """The folder of the share; the shelf itself where that is all that can be seen of it."""
        return self.path.parents[1] if self.path.parent.name == "boards" else self.path

    @property
    def board(self) -> str:
        return self.mark.board


def adopt_share(folder: Path, same_machine: bool, made: str) -> ShareMark:
    """Makes the mark of a share, or finds it there. `made`: RFC 3339."""
    storage = FolderStorage(folder)
    found = read_share_mark(storage)
    if found is None:
        write_share_mark(storage, ShareMark(secrets.token_hex(16), made, same_machine), MADE_BY)
        found = read_share_mark(storage)
    if found is None:
        raise Malformed(SHARE_MARK, 0, "the mark just written", "nothing")
    storage.make_folder("boards")
    storage.sync_folder("")
    return found


def make_shelf(folder: Path, board: str, identity: str, made: str) -> Shelf:
    """The shelf of a board on a marked share; finishes one whose making was cut short."""
    mark = mark_of_share(folder)
    path = _board_folder(folder, board)
    _refuse_if_retired(path, board)
    share = FolderStorage(folder)
    share.make_folder(f"boards/{board}")
    share.sync_folder("boards")
    share.sync_folder("")
    storage = FolderStorage(path)
    for name in FOLDERS:
        storage.make_folder(name)
    marked = read_shelf_mark(storage) is not None
    if not marked and (storage.names("captures") or storage.names("stock")):
        raise Refused(
            f"{path} holds captures, but its mark ({SHELF_MARK}) is gone",
            "Bring the file back from a snapshot of the NAS: a new mark would not fit what is there.",
        )
    texts = _restore_texts(board)
    for name in (*texts, BALLAST):
        if not marked and storage.size(name) is not None:
            storage.unlink(name)  # perhaps cut short: the mark comes last
    if storage.size(BALLAST) is None:
        make_ballast(storage)
    for name, content in texts.items():
        if storage.size(name) is None:
            write_whole(storage, name, content)
    if not marked:
        hashing = Hashing(identity, secrets.randbits(64))
        new = ShelfMark(secrets.token_hex(16), mark.id, board, mark.same_machine, hashing)
        write_shelf_mark(storage, new, made, MADE_BY)
    storage.sync_folder("")
    return open_shelf(path, board)


def _restore_texts(board: str) -> dict[str, bytes]:
    here = files("backupctl.share")
    how = here.joinpath("how_to_restore.txt").read_text(encoding="utf-8").replace("{board}", board)
    return {"HOW-TO-RESTORE.txt": how.encode(), "rebuild.sh": here.joinpath("rebuild.sh").read_bytes()}


def check_folder(folder: Path, hint: str) -> None:
    """Raises NotFound if it is none."""
    if not folder.is_dir():
        raise NotFound(f"{folder} is no folder" if folder.exists() else f"there is no folder {folder}", hint)


def open_shelf(folder: Path, board: str | None) -> Shelf:
    """`folder` is a share (then `board` says whose shelf; the only one there is may go unnamed) or a shelf itself.

    Raises NotFound, Refused.
    """
    storage = FolderStorage(folder)
    check_folder(folder, "Is the share mounted?")
    mark = read_shelf_mark(storage)
    if mark is not None:
        if board is not None and board != mark.board:
            raise Refused(
                f"{folder} is the shelf of {mark.board}, not of {board}", "Name the right --share or --board."
            )
        return Shelf(storage, mark, folder)
    mark_of_share(folder)
    boards = list_boards(folder)
    if board is None:
        if len(boards) != 1:
            named = ", ".join(boards) or "none yet"
            raise NotFound(f"which board? On the share are: {named}", "Say --board NAME.")
        board = boards[0]
    path = _board_folder(folder, board)
    mark = read_shelf_mark(FolderStorage(path)) if path.is_dir() else None
    if mark is None:
        _refuse_if_retired(path, board)
        raise NotFound(f"the share has no shelf of {board}", f"On it are: {', '.join(boards) or 'none yet'}.")
    if mark.board != board:
        raise Refused(
            f"{path} says that it is the shelf of {mark.board}", "Somebody renamed the folder. Rename it back."
        )
    return Shelf(FolderStorage(path), mark, path)


def _refuse_if_retired(path: Path, board: str) -> None:
    if FolderStorage(path).size(RETIRED_MARK) is not None:
        raise Refused(
            f"the shelf of {board} is being retired, and not all of it has gone",
            f"Finish that first: backupctl boards retire {board}",
        )


def _board_folder(folder: Path, board: str) -> Path:
    path = folder / "boards" / checked_board(board)
    if path.is_symlink() or path.parent.is_symlink():
        raise Refused(f"{path} is a symbolic link, or in one", "A share has none: look who made it.")
    return path


def list_boards(folder: Path) -> list[str]:
    """Names of the shelves on a share."""
    storage = FolderStorage(folder)
    return [
        name
        for name in storage.names("boards")
        if BOARD.fullmatch(name) and storage.size(f"boards/{name}/{SHELF_MARK}") is not None
    ]


def mark_of_share(folder: Path) -> ShareMark:
    """Raises Refused where there is none: mostly an empty mount point."""
    mark = read_share_mark(FolderStorage(folder))
    if mark is None:
        raise Refused(
            f"{folder} is not a share of this program: it has no mark ({SHARE_MARK})",
            f"Is the share mounted? If this is the right folder, say: backupctl share adopt {folder}",
        )
    return mark


def load_index(shelf: Shelf, history: History, unconfirmed: bool = False) -> tuple[SegmentIndex, dict[str, str]]:
    """The segments that a new capture may refer to; and of parts whose tables cannot be used, what is wrong with them.

    Left out are copies that are known to be damaged, and parts that nobody has hashed since the run that wrote them: a
    server that lost power may hold a file of the right size with the wrong bytes (`unconfirmed`: they are in).
    """
    index = SegmentIndex(shelf.mark.hashing.length)
    problems: dict[str, str] = {}
    try:
        for part in usable_parts(shelf, history):
            if unconfirmed or part in history.confirmed_parts:
                try:
                    for row in intact_rows(shelf, history, part):
                        index.add(row.hash, part, row.sha256)
                except Malformed as error:
                    problems[part] = error.cause
    except BaseException:
        index.close()
        raise
    return index, problems


def locate(shelf: Shelf, history: History, hashes: Iterable[bytes], note: Callable[[str], None]) -> SegmentIndex:
    """Where these segments stand; of two copies, that in the part confirmed last counts.

    Segments without an intact copy are in the index, without a place. A part whose table is lost is searched only for
    segments that no other has: that is slow, and `note` is told.
    """
    index = SegmentIndex(shelf.mark.hashing.length, with_places=True)
    for hash in hashes:
        index.add(hash)
    lost = lost_tables(shelf, history)
    for part in usable_parts(shelf, history):
        try:
            for row in intact_rows(shelf, history, part):
                if index.find(row.hash) >= 0:
                    index.add(row.hash, part, row.sha256, Place(part, row.offset, row.stored, row.length))
        except Malformed as error:
            lost[part] = error.cause
    if lost:
        _search(shelf, lost, index, note)
    return index


def lost_tables(shelf: Shelf, history: History) -> dict[str, str]:
    """Parts without a table, and words about it: an unfinished run left them, or the table was lost since."""
    parts, tables = list_parts(shelf.storage)
    return {
        part: f"the table of part {part} is missing"
        for part in parts
        if part not in tables and part not in history.damaged_parts
    }


def rows_without_table(shelf: Shelf, part: str) -> list[Row]:
    """The intact segments of a part by the part alone: every frame is read and hashed."""
    try:
        return scan_part(shelf.storage, shelf.mark, part)[0]
    except Malformed:
        return []
    except OSError as error:
        if error.errno != errno.EIO:
            raise  # the share has gone, which says nothing of what stands on it
        return []


def _search(shelf: Shelf, lost: dict[str, str], index: SegmentIndex, note: Callable[[str], None]) -> None:
    """Puts the places of missing segments into `index`. What a table said before its fault does not count as found."""
    places = ((number, index.place_of(number)) for number in range(len(index)))
    missing = {number for number, place in places if place is None or place.part in lost}
    for part, cause in lost.items():
        if not missing:
            return
        note(f"{cause}; the part itself is searched, which takes a while")
        for row in rows_without_table(shelf, part):
            if index.find(row.hash) >= 0:
                number = index.add(row.hash, part, row.sha256, Place(part, row.offset, row.stored, row.length))
                missing.discard(number)


def usable_parts(shelf: Shelf, history: History) -> list[str]:
    """Parts with tables that nothing is known against; those confirmed last come last."""
    parts, tables = list_parts(shelf.storage)
    usable = [part for part in parts if part in tables and part not in history.damaged_parts]
    return sorted(usable, key=lambda part: (history.confirmed_parts.get(part, -1), part))


def intact_rows(shelf: Shelf, history: History, part: str) -> Iterator[Row]:
    """The segments of a part that nothing is known against; none if it was removed. Raises Malformed for its table."""
    size = shelf.storage.size(part_name(part)) or 0
    try:
        for row in read_table(shelf.storage, shelf.mark, part):
            if not isinstance(row, Row) or row.offset + row.stored > size:
                continue  # a truncated part is as good as ever before its end
            if not history.damaged_copies or history.is_intact(part, row.hash.hex()):
                yield row
    except FileNotFoundError:
        return


def other_copies(shelf: Shelf, history: History, hash: bytes, besides: str) -> Iterator[Place]:
    """Where a segment stands, leaving out one part. Slow: reads all tables."""
    for part in usable_parts(shelf, history):
        try:
            for row in intact_rows(shelf, history, part) if part != besides else ():
                if row.hash == hash:
                    yield Place(part, row.offset, row.stored, row.length)
        except Malformed:
            continue
