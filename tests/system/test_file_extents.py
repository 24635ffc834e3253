"""Where files lie, against filefrag of e2fsprogs."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from backupctl.board.file_extents import file_extents
from tests.system.frozen_card import MIB, sparse
from tests.system.loop_device import attached, mounted, need, tool

pytestmark = pytest.mark.system

BLOCK = 4096


def ours(path: Path) -> list[tuple[int, int, int]]:
    fd = os.open(path, os.O_RDONLY)
    try:
        extents = file_extents(fd)
    finally:
        os.close(fd)
    assert not any(extent.unknown for extent in extents)
    return [(extent.logical, extent.physical, extent.length) for extent in extents]


def theirs(path: Path) -> list[tuple[int, int, int]]:
    lines = re.findall(r"^ *\d+: +(\d+)\.\. *(\d+): +(\d+)\.\.", tool("filefrag", "-v", path), re.MULTILINE)
    numbers = [tuple(map(int, line)) for line in lines]
    return [(first * BLOCK, physical * BLOCK, (last + 1 - first) * BLOCK) for first, last, physical in numbers]


def test_many_pieces_few_and_none(tmp_path: Path) -> None:
    need("mkfs.ext4", "filefrag")
    with attached(sparse(tmp_path / "card.img", 40 * MIB)) as device:
        tool("mkfs.ext4", "-q", "-b", str(BLOCK), device)
        with mounted(device, tmp_path / "place") as place:
            # More than one call's worth of extents, at the edge of it, and none.
            for pieces in (700, 512, 256, 1, 0):
                path = place / f"{pieces}"
                with path.open("wb") as file:
                    for n in range(pieces):
                        file.seek(2 * n * BLOCK)
                        file.write(b"x" * BLOCK)
                    file.truncate(2 * pieces * BLOCK)
                    os.fsync(file.fileno())
                assert len(ours(path)) == pieces
                assert ours(path) == theirs(path)


def test_a_file_whose_place_is_not_fixed(tmp_path: Path) -> None:
    need("mkfs.ext4")
    with attached(sparse(tmp_path / "card.img", 40 * MIB)) as device:
        # ext4(5): a small file then lies within its inode.
        tool("mkfs.ext4", "-q", "-O", "inline_data", device)
        with mounted(device, tmp_path / "place") as place:
            (place / "small").write_bytes(b"x" * 10)
            fd = os.open(place / "small", os.O_RDONLY)
            try:
                assert [extent.unknown for extent in file_extents(fd)] == [True]
            finally:
                os.close(fd)
    fd = os.open("/proc/version", os.O_RDONLY)
    try:
        with pytest.raises(OSError, match=r"not supported|Inappropriate"):
            file_extents(fd)
    finally:
        os.close(fd)
