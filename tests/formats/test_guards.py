"""Guards, and accepting what a card has lost, as somebody types them. What is expected is what was typed."""

from __future__ import annotations

import json
import re
import shlex
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made, resealed_json

pytestmark = pytest.mark.formats
TOMORROW = str(date.today() + timedelta(days=1))
YESTERDAY = str(date.today() - timedelta(days=1))


def listed(made: Made) -> dict[str, dict[str, Any]]:
    return {item["id"]: item for item in backupctl(made.share, "list", "--json").json}


def test_a_guard_is_put_on_changed_and_taken_off(hurt: Made) -> None:
    first, second = hurt.captures
    # By its label, by the beginning of its id, and by a moment.
    said = backupctl(hurt.share, "guard", "before", "--reason", "before the upgrade").out
    assert "guarded: before the upgrade" in " ".join(said.split())
    assert [listed(hurt)[id]["guarded"] for id in hurt.captures] == ["before the upgrade", None]
    backupctl(hurt.share, "guard", first[:-2], "--reason", "the pump works", "--until", TOMORROW)
    backupctl(hurt.share, "guard", "--as-of", "2199-01-01", "--reason", "the last of that card")
    found = listed(hurt)
    assert (found[first]["guarded"], found[second]["guarded"]) == ("the pump works", "the last of that card")
    assert found[first]["guarded_until"].startswith(f"{TOMORROW}T23:59:59")
    shown = backupctl(hurt.share, "show", first).out
    assert re.search(rf"guard +guarded until .* {TOMORROW[:4]} 23:59: the pump works", shown)
    assert "guarded: the last of that card" in backupctl(hurt.share, "list").out
    backupctl(hurt.share, "unguard", "newest")
    assert listed(hurt)[second]["guarded"] is None
    kinds = [event["kind"] for event in backupctl(hurt.share, "runs", "--json").json]
    assert [kind for kind in kinds if "guarded" in kind] == ["guarded", "guarded", "guarded", "unguarded"]
    told = " ".join(backupctl(hurt.share, "runs").out.split())
    assert "guarded" in told and "the pump works" in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["guard", "--reason", "x"], "which capture"),
        (["unguard"], "which capture"),
        (["accept"], "which capture"),
        (["guard", "before"], "--reason"),
        (["guard", "before", "--reason", ""], "nothing is said there"),
        (["guard", "before", "--reason", "two\nlines"], "cannot be a reason"),
        (["guard", "before", "--reason", "x", "--until", YESTERDAY], "is over"),
        (["guard", "before", "--reason", "x", "--until", "soon"], "not a date"),
        (["guard", "nonesuch", "--reason", "x"], "there is no capture"),
        (["unguard", "before"], "is not guarded"),
        (["accept", "before"], "lacks nothing"),
    ],
)
def test_what_cannot_be_said(hurt: Made, words: list[str], said: str) -> None:
    before = sorted((hurt.shelf / "manifest").iterdir())
    assert said in backupctl(hurt.share, *words, code=2).err
    assert sorted((hurt.shelf / "manifest").iterdir()) == before


def test_a_capture_that_is_guarded_from_the_start(hurt: Made, tmp_path: Path) -> None:
    """What it prints brings the capture back, once CARD is replaced."""
    words: list[str | Path] = ["capture", "--board", "shed", "--source", hurt.card]
    assert "--label" in backupctl(hurt.share, *words, "--guard", code=2).err
    assert "--guard" in backupctl(hurt.share, *words, "--label", "x", "--until", TOMORROW, code=2).err
    said = backupctl(hurt.share, *words, "--label", "before the upgrade", "--guard", "--until", TOMORROW).out
    newest = list(listed(hurt).values())[-1]
    assert (newest["guarded"], newest["label"]) == ("before the upgrade", "before the upgrade")
    record = json.loads(hurt.record(newest["id"]).read_text())
    assert record["guard"]["reason"] == "before the upgrade"
    # The guard stands in the record: without a manifest, it is in force all the same.
    for event in (hurt.shelf / "manifest").iterdir():
        event.unlink()
    assert listed(hurt)[newest["id"]]["guarded"] == "before the upgrade"

    backupctl(hurt.share, *words)
    line = shlex.split(said[said.index("restore") : said.index("CARD is")].replace("\\\n", ""))
    target = tmp_path / "back.img"
    backupctl(None, *(str(target) if word == "CARD" else word for word in line))
    assert target.read_bytes() == hurt.states[1].read_bytes()


def altered(made: Made, id: str, **values: object) -> None:
    path = made.record(id)
    record = json.loads(path.read_text()) | values
    del record["checksum"]
    text = json.dumps(record, indent=2)
    path.write_text(resealed_json(text[: text.rindex("}")].rstrip() + ',\n  "checksum": ""\n}\n'))


def test_a_guard_in_a_record_that_makes_no_sense(hurt: Made) -> None:
    for guard in ({"reason": 5, "until": None}, {"reason": "x", "until": "soon"}, "x", {}):
        altered(hurt, hurt.captures[0], guard=guard)
        ended = backupctl(hurt.share, "list", code=4)
        assert "cannot be used" in ended.out


def test_known_losses(hurt: Made, tmp_path: Path) -> None:
    """A capture that lacks no more counts as good again; one that lacks more does not."""
    first, second = hurt.captures
    altered(hurt, second, state="partial", unreadable=[[4096, 8192]])
    assert backupctl(hurt.share, "show", "--json").json["id"] == first
    ended = backupctl(hurt.share, "accept", second, code=3)
    assert "was not accepted" in ended.err
    assert backupctl(hurt.share, "show", "--json").json["id"] == first
    backupctl(hurt.share, "accept", second, "--yes")
    assert backupctl(hurt.share, "show", "--json").json["id"] == second
    found = listed(hurt)[second]
    assert (found["state"], found["accepted"]) == ("partial", True)
    assert "what it lacks is accepted" in backupctl(hurt.share, "list").out
    assert "partial, which is accepted" in backupctl(hurt.share, "show", second).out
    assert "already" in backupctl(hurt.share, "accept", second, "--yes", code=2).err
    altered(hurt, second, state="partial", unreadable=[[4096, 8193]])
    assert not listed(hurt)[second]["accepted"]
    assert backupctl(hurt.share, "show", "--json").json["id"] == first
