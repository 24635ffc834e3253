"""What a share holds is shown, and never obeyed by a terminal or a reason to fall over."""

from __future__ import annotations

import json
from pathlib import Path

from tests.program import backupctl


def shelf_with_event(tmp_path: Path, body: object) -> Path:
    """A share with one event that somebody else wrote."""
    share = tmp_path / "share"
    share.mkdir()
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "mill")
    event = {
        "sequence": 1, "token": "0a1b2c3d", "kind": "captured", "time": "2026-11-25T00:01:36+00:00", "trusted": True,
        "by": {}, "body": body,
    }  # fmt: skip
    (share / "boards/mill/manifest/0000000001-0a1b2c3d.json").write_text(json.dumps(event))
    return share


def test_control_characters_of_the_share_do_not_reach_the_terminal(tmp_path: Path) -> None:
    # ECMA-48: ESC [ 2 J erases the screen (8.3.39), and so does the same with the single character CSI, U+009B.
    share = shelf_with_event(tmp_path, {"capture": "\x1b[2J\x9b2Jseen", "state": "good", "written_bytes": 512})
    out = backupctl(share, "runs").out
    assert "?[2J?2Jseen, good, 512 bytes written" in out
    assert [character for character in out if not character.isprintable() and character != "\n"] == []


def test_an_event_whose_body_makes_no_sense_is_listed(tmp_path: Path) -> None:
    share = shelf_with_event(tmp_path, {"capture": ["x"], "written_bytes": "lots", "warnings": 3})
    assert "captured" in backupctl(share, "runs").out
