"""Reading card files by position."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from backupctl.board.card_file import FileReader
from backupctl.domain.errors import Malformed, NotFound, Refused


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(range(256)) * 16)
    return path


@pytest.mark.parametrize("positional", [True, False])
def test_bytes_by_position(card: Path, monkeypatch: pytest.MonkeyPatch, positional: bool) -> None:
    if not positional:
        monkeypatch.delattr(os, "pread", raising=False)
        monkeypatch.delattr(os, "preadv", raising=False)
    with FileReader(card) as reader:
        assert reader.size == 4096
        assert reader.read_at(255, 3) == b"\xff\x00\x01"
        assert reader.read_at(4095, 1) == b"\xff"
        assert reader.read_at(4096, 0) == b""
        assert reader.read_at(0, 4096) == card.read_bytes()
        memory = bytearray(5)
        reader.read_into(4092, memoryview(memory)[1:])
        assert memory == b"\0\xfc\xfd\xfe\xff"
        for offset, length in ((4096, 1), (-1, 1), (0, 4097)):
            with pytest.raises(Malformed):
                reader.read_at(offset, length)
        with pytest.raises(Malformed):
            reader.read_into(4092, memoryview(memory))


def test_short_reads_are_joined(card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # read(2): fewer bytes than asked for are no error.
    whole = os.pread
    monkeypatch.setattr(os, "pread", lambda fd, length, offset: whole(fd, min(length, 100), offset))
    with FileReader(card) as reader:
        assert reader.read_at(7, 1000) == card.read_bytes()[7:1007]


def test_a_file_that_became_shorter(card: Path) -> None:
    with FileReader(card) as reader:
        os.truncate(card, 1000)
        with pytest.raises(OSError, match="ends at byte 1000"):
            reader.read_at(0, 4096)
        with pytest.raises(OSError, match="ends at byte 1000"):
            reader.read_into(0, memoryview(bytearray(4096)))


def test_what_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="does not exist"):
        FileReader(tmp_path / "nothing")
    with pytest.raises(Refused, match="not a regular file"):
        FileReader(tmp_path)
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(Refused, match="not a regular file"):
        FileReader(tmp_path / "fifo")


def test_the_descriptor_is_given_back(card: Path) -> None:
    with FileReader(card) as reader:
        pass
    reader.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        reader.read_at(0, 1)
