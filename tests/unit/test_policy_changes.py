"""What of a policy has changed between two captures."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

import pytest

from backupctl.domain.policy import Policy, parse_policy
from backupctl.domain.policy_changes import changes_in_words, policy_changes


def recorded(text: str, name: str = "standard") -> Any:
    """As a record has it: through JSON, which knows no tuples."""
    return json.loads(json.dumps(asdict(parse_policy(name, text))))


def test_what_is_the_same_is_not_told() -> None:
    assert policy_changes(recorded(""), asdict(Policy())) == {}
    text = "[image]\nleave_out = [3]\n"
    assert policy_changes(recorded(text), asdict(parse_policy("standard", text))) == {}


def test_what_is_another_is() -> None:
    now = asdict(parse_policy("hub", "[retention]\ndaily = 14\n[image]\nleave_out = [3]\n"))
    assert policy_changes(recorded("[image]\nleave_out = [4]\n"), now) == {
        "name": ["standard", "hub"],
        "image.leave_out": [[4], [3]],
        "retention.daily": [7, 14],
    }


def test_keys_of_another_version_are_no_change() -> None:
    before = recorded("")
    del before["retention"]["yearly"], before["space"]
    before["retention"]["hourly"] = 24
    assert policy_changes(before, asdict(parse_policy("standard", "[retention]\nyearly = 1\n"))) == {}


@pytest.mark.parametrize(
    "before", [{}, {"retention": 5, "name": {"x": 1}}, {"retention": {"daily": "7"}}, {"retention": {"daily": True}}]
)
def test_a_policy_of_others_is_no_change(before: dict[str, Any]) -> None:
    assert policy_changes(before, asdict(Policy())) == {}


def test_in_words() -> None:
    changes = {"retention.daily": [7, 14], "name": ["a", "b"]}
    assert changes_in_words(changes) == "retention.daily from 7 to 14, name from a to b"
    nothings: tuple[object, ...] = (None, [], "x", {}, {"a": 1}, {"a": [1]}, {"a": [1, 2, 3]})
    for nothing in nothings:
        assert changes_in_words(nothing) == ""
    assert len(changes_in_words({"a": ["x" * 5000, "y" * 5000]})) < 200
