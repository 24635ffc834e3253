"""What a thinning leaves, rewritten parts included, is as the format says: `zstd` and a shell go through it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from backupctl.operations.capturing import image_run
from backupctl.share.storage import FolderStorage
from tests.unit.small_board import SEGMENT, SmallBoard
from tests.unit.thinned_board import card_of_night, check_restores, five_nights, thin_once

pytestmark = pytest.mark.formats


def tool(*words: str | Path) -> bytes:
    program = shutil.which(str(words[0]))
    if program is None:
        pytest.skip(f"needs {words[0]}")
    done = subprocess.run([program, *map(str, words[1:])], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallBoard:
    """Five nights; then a thinning, a night, and one that removes what was rewritten."""
    monkeypatch.setattr(image_run, "SEGMENT_BYTES", SEGMENT)
    board, path = five_nights(tmp_path)
    shelf = board.shelf(FolderStorage(path), path)
    assert thin_once(board, shelf)["rewritten_parts"]
    board.capture(shelf, card_of_night(4))
    thin_once(board, shelf, tidy=True)
    assert len(check_restores(board, shelf)) == 2
    return board


def shelf_folder(board: SmallBoard) -> Path:
    return board.folder / "share/boards/greenhouse"


def test_every_file_that_is_left_is_whole(board: SmallBoard) -> None:
    files = [*shelf_folder(board).glob("stock/*.zst"), *shelf_folder(board).glob("captures/*/*.zst")]
    assert len(files) == 2 * 4 + 2
    tool("zstd", "-tq", *files)


def test_the_parts_hold_what_their_tables_say(board: SmallBoard) -> None:
    """Cut out by dd, decompressed by zstd, hashed by sha256sum: for each line of each table."""
    lines = 0
    for table in shelf_folder(board).glob("stock/*.table.zst"):
        part = table.with_name(table.name.replace(".table", ""))
        for line in tool("zstd", "-dcq", table).decode().splitlines():
            if line.startswith("#"):
                continue
            _, sha256, offset, stored, _ = line.split("\t")
            script = 'dd if="$0" bs=512 skip="$1" count="$2" 2>/dev/null | zstd -dcq | sha256sum'
            found = tool("sh", "-c", script, part, str(int(offset) // 512), str(int(stored) // 512))
            assert found.decode().split()[0] == sha256
            lines += 1
    assert lines >= 20


def test_the_script_rebuilds_what_is_left(board: SmallBoard) -> None:
    shelf = shelf_folder(board)
    left = [path.name for path in (shelf / "captures").iterdir()]
    assert len(left) == 2
    for id in left:
        target = board.folder / f"{id}.img"
        tool("sh", shelf / "rebuild.sh", id, target)
        assert target.read_bytes() == board.contents[id]
