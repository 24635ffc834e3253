"""A policy taken over from a record on the share: TOML by the standard library's reader, and hostile records."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from backupctl.domain.errors import BackupctlError, Refused
from backupctl.domain.policy import HooksPolicy, Policy, parse_policy
from backupctl.operations.fleet.policy_of_board import TakenOver, policy_of_board, toml_text, write_policy

HERE = Path(__file__).parents[2] / "policies"
SHIPPED = {path.stem: parse_policy(path.stem, path.read_text()) for path in HERE.glob("*.toml")}


def recorded(policy: Policy) -> Any:
    """As a record has it."""
    return json.loads(json.dumps(policy.for_record()))


def taken(record: Any, root: Path, **more: Policy) -> TakenOver:
    return policy_of_board(record, "mill", root, {**SHIPPED, **more}.get)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_policy_is_taken_by_its_name(name: str, tmp_path: Path) -> None:
    found = taken(recorded(SHIPPED[name]), tmp_path)
    assert (found.words, found.file, found.policy) == (name, None, SHIPPED[name])
    # What differs from the defaults is all that differs.
    assert parse_policy(name, toml_text(recorded(SHIPPED[name]))) == SHIPPED[name]
    tomllib.loads(toml_text(recorded(SHIPPED[name])))


def test_one_of_its_owner_is_written_without_commands(tmp_path: Path) -> None:
    text = (
        '[image]\nleave_out = [3]\n[pace]\nrate = "5 MB"\n[schedule]\nwindow = "90 min"\noverdue = "3 w"\n'
        '[hooks]\nstop = ["readings"]\n'
    )
    theirs = parse_policy("mine", text)
    found = taken(recorded(theirs), tmp_path)
    assert found.file == tmp_path / "etc/backupctl/policies/mine.toml"
    assert found.text is not None
    assert tomllib.loads(found.text) == {
        "image": {"leave_out": [3]},
        "pace": {"rate": 5_000_000},
        "schedule": {"window": "90 min", "overdue": "3 w"},
    }
    assert found.policy == dataclasses.replace(theirs, hooks=HooksPolicy())
    assert "not taken over" in " ".join(found.notes)
    write_policy(found)
    assert found.file.read_text() == found.text


def test_what_is_here_already_is_never_replaced(tmp_path: Path) -> None:
    changed = parse_policy("hub", '[retention]\ndaily = 30\n[schedule]\nwhen = "Sun 04:00"\n')
    found = taken(recorded(changed), tmp_path)
    assert found.file == tmp_path / "etc/backupctl/policies/hub-of-mill.toml"
    again = taken(recorded(changed), tmp_path, **{"hub-of-mill": changed})
    assert (again.words, again.file) == ("hub-of-mill", None)
    with pytest.raises(Refused, match="hub-of-mill here that says something else"):
        taken(recorded(changed), tmp_path, **{"hub-of-mill": SHIPPED["kiosk"]})


@pytest.mark.parametrize(
    "hostile",
    [
        {"retention": "everything"},
        {"retention": {"daily": -1}},
        {"retention": {"daily": {"x": 1}}},
        {"retention": {"daily = 9\n[hooks]\nbefore": 1}},
        {"hooks]\n[retention": {"daily": 9}},
        {"schedule": {"when": None}},
        {"newer": {"key": 1}},
    ],
)
def test_hostile_records(hostile: Any, tmp_path: Path) -> None:
    with pytest.raises(BackupctlError):
        taken({"name": "x", **hostile}, tmp_path)


def test_a_name_that_is_a_path(tmp_path: Path) -> None:
    changed = dataclasses.replace(parse_policy("x", "[retention]\ndaily = 30\n"), name="../../cron.d/x")
    found = taken(recorded(changed), tmp_path)
    assert found.file == tmp_path / "etc/backupctl/policies/of-mill.toml"
    quoted = recorded(changed) | {"schedule": {"when": 'Sun 04:00"\n[hooks]\nbefore = ["rm"]\n#'}}
    text = taken(quoted, tmp_path).text
    assert text is not None
    assert tomllib.loads(text).keys() == {"schedule", "retention"}
