"""A policy that changes between two captures: told by `runs` and `show`, also when the captures before are gone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats


def test_what_has_changed_is_told(hurt: Made, tmp_path: Path) -> None:
    policy = tmp_path / "mine.toml"
    policy.write_text("[retention]\ndaily = 14\n[store]\nlevel = 4\n")
    before = hurt.captures[1]
    taken = hurt.capture("--policy", str(policy))
    changed = {"name": ["standard", "mine"], "store.level": [3, 4], "retention.daily": [7, 14]}
    assert backupctl(hurt.share, "show", taken, "--json").json["policy_changes"] == changed
    told = " ".join(backupctl(hurt.share, "show", taken).out.split())
    assert (
        "policy mine changed name from standard to mine, store.level from 3 to 4, retention.daily from 7 to 14" in told
    )
    # Where the records before are gone, the manifest has it still.
    backupctl(hurt.share, "discard", before, "--yes")
    event = [event for event in backupctl(hurt.share, "runs", "--json").json if event["kind"] == "captured"][-1]
    assert event["body"]["policy_changes"] == changed
    assert "policy changed: name from standard to mine" in " ".join(backupctl(hurt.share, "runs").out.split())
    again = hurt.capture("--policy", str(policy))
    assert backupctl(hurt.share, "show", again, "--json").json["policy_changes"] == {}
    assert "changed" not in backupctl(hurt.share, "show", again).out
