"""A small board with five captures, of which the policy wants the newest two: what goes makes parts that nothing needs,
and one that is mostly dead."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from backupctl.domain.policy import PacePolicy, Policy, RetentionPolicy, StorePolicy
from backupctl.operations.keeping.discard import DiscardOptions, discard
from backupctl.operations.keeping.thin import ThinOptions, thin
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.share.parts import list_parts
from backupctl.share.shelf import Shelf
from backupctl.share.storage import FolderStorage
from backupctl.share.tables import Row, read_table
from tests.unit.small_board import SEGMENT, SEGMENTS, SmallBoard, empty_shelf

# What changed on the card since the night before; what changed then as well, a run writes apart from the rest.
NIGHTS: tuple[dict[int, int], ...] = (
    {},
    {0: 1, 1: 1},
    {0: 2, 1: 2, 5: 1, 6: 1, 7: 1},
    {0: 3, 1: 3, 5: 2, 6: 2},
    {0: 4},
)
NEWEST_TWO = Policy(
    store=StorePolicy(sync_every=1 << 20),
    pace=PacePolicy(workers=1),
    retention=RetentionPolicy(daily=0, weekly=0, monthly=0, yearly=0, newest=2, everything_for=0, minimum=1),
)


def card_of_night(night: int) -> bytes:
    versions: dict[int, int] = {}
    for changed in NIGHTS[: night + 1]:
        versions |= changed
    return b"".join(random.Random(f"{n} {versions.get(n, 0)}").randbytes(SEGMENT) for n in range(SEGMENTS))


def five_nights(folder: Path) -> tuple[SmallBoard, Path]:
    """The board, and where its shelf is."""
    path = empty_shelf(folder / "share")
    board = SmallBoard(folder)
    for night in range(len(NIGHTS)):
        board.capture(board.shelf(FolderStorage(path), path), card_of_night(night))
    return board, path


def thin_once(board: SmallBoard, shelf: Shelf, **options: Any) -> dict[str, Any]:
    return thin(shelf, ThinOptions(NEWEST_TWO, str, yes=True, **options), board.facts(), Quiet(), Stop())


def discard_by_hand(board: SmallBoard, shelf: Shelf, name: str, **options: Any) -> dict[str, Any]:
    return discard(shelf, DiscardOptions(name, yes=True, **options), board.facts(), Quiet(), Stop())


def check_restores(board: SmallBoard, shelf: Shelf) -> list[str]:
    """All captures that are listed can be restored bit for bit; which these are."""
    captures, _ = captures_of(shelf)
    assert not captures.problems
    target = board.folder / "restored.img"
    for record in captures.records:
        restore_to_file(shelf, record.id, None, target, False, board.facts(), Quiet(), Stop())
        assert target.read_bytes() == board.contents[record.id]
        target.unlink()
    return [record.id for record in captures.records]


def segments_by_part(shelf: Shelf) -> list[list[str]]:
    """What stands in the stock, whatever the names of the parts."""
    parts, tables = list_parts(shelf.storage)
    assert set(parts) == tables
    return sorted(
        sorted(row.hash.hex() for row in read_table(shelf.storage, shelf.mark, part) if isinstance(row, Row))
        for part in parts
    )


def other_files(root: Path) -> list[str]:
    """All files but parts and their tables, which have random names, and what every run leaves: events and marks."""
    names = sorted(path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file())
    return [
        name for name in names if not name.startswith(("stock/", "busy/", "readers/", "probe/")) and not _is_event(name)
    ]


def _is_event(name: str) -> bool:
    return name.startswith("manifest/") and name.endswith(".json")
