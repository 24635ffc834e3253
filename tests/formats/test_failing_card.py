"""A card that cannot be read everywhere: only what is lost is lost, and such a capture is no good one."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from backupctl.board.card_file import FileReader
from backupctl.domain.policy import Policy
from backupctl.operations import exit_codes
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.share.shelf import open_shelf
from tests.program import backupctl
from tests.shelf_of_card import Made, unpacked

pytestmark = pytest.mark.formats
SECTOR = 512


@pytest.fixture
def lost(hurt: Made, monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Ranges of the card that give an error from now on; the firmware file of its FAT lies there."""
    size = hurt.card.stat().st_size
    bad = [(2 << 20, (2 << 20) + SECTOR), ((3 << 20) + 8 * SECTOR, (3 << 20) + 11 * SECTOR), (size - SECTOR, size)]
    whole = FileReader.read_into

    def read_into(self: FileReader, offset: int, view: memoryview) -> None:
        if any(offset < end and start < offset + len(view) for start, end in bad):
            # A device may have filled part of the memory before it gave up.
            view[:] = os.urandom(len(view))
            raise OSError(5, "Input/output error")
        whole(self, offset, view)

    monkeypatch.setattr(FileReader, "read_into", read_into)
    return bad


def test_only_what_cannot_be_read_is_lost(hurt: Made, lost: list[tuple[int, int]], tmp_path: Path) -> None:
    shelf = open_shelf(hurt.share, "shed")
    options = CaptureOptions(hurt.card, Policy())
    result = capture(shelf, options, this_machine(tmp_path / "state"), Quiet(), Stop())
    assert result["state"] == "partial"
    assert exit_codes.of_capture(result) == 7
    record = json.loads(hurt.record(result["id"]).read_text())
    assert [tuple(pair) for pair in record["unreadable"]] == lost
    assert any("could not be read" in text for text in result["warnings"])

    lines = [line.split("\t") for line in unpacked(hurt.contents(result["id"])).splitlines()[1:-1]]
    for offset, length, state, _ in lines:
        touched = any(int(offset) < end and start < int(offset) + int(length) for start, end in lost)
        assert (state == "unreadable") == touched

    copy = tmp_path / "copy.img"
    ended = backupctl(hurt.share, "restore", result["id"], copy)
    expected = bytearray(hurt.states[1].read_bytes())
    for start, end in lost:
        expected[start:end] = bytes(end - start)
    assert copy.read_bytes() == expected
    assert "could not be read everywhere" in " ".join(ended.out.split())

    listed = backupctl(hurt.share, "list", "--json").json
    assert [item["state"] for item in listed] == ["good", "good", "partial"]
    assert backupctl(hurt.share, "show", "newest", "--json").json["id"] == hurt.captures[1], "the newest good one"
    found = backupctl(hurt.share, "verify", "--json").json
    assert len(found["whole_captures"]) == 3
