"""No message holds what is nobody's business: not by what nights and shelves say, and not at the command line."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Exit
from backupctl.domain.telling import Memory, message, noted
from backupctl.operations.facts import Facts
from backupctl.operations.nights.sending import as_json
from backupctl.operations.nights.standing import matters_of_look, matters_of_night, standing_of
from tests.formats.test_guards import altered
from tests.listeners import mail_server, web_server
from tests.program import environment
from tests.shelf_of_card import Made, flip

pytestmark = pytest.mark.formats

NOW = datetime(2026, 11, 24, 9, 40, tzinfo=UTC)
SECRET = "s3cret"


def planted(value: Any, secrets: Callable[[], str]) -> Any:
    """`value` with every text in it, keys aside, made another; of what says when or whose, nothing."""
    if isinstance(value, dict):
        kept = ("board", "newest_good_started", "newest_finished", "partial_since", "away_until")
        return {key: found if key in kept else planted(found, secrets) for key, found in value.items()}
    if isinstance(value, list):
        return [planted(found, secrets) for found in value]
    return secrets() if isinstance(value, str) else value


# As `boards.about` and `run_night` return them.
ABOUT = {
    "board": "shed", "captures": 12, "newest_finished": "2026-11-23T03:20:00+01:00",
    "partial_since": "2026-11-23T03:17:00+01:00", "newest_good": "x",
    "newest_good_started": "2026-11-22T03:17:00+01:00", "age_seconds": 90_000, "usual_interval_seconds": 86_400,
    "overdue_from": "x", "overdue": True, "away_until": None, "unverified": 2, "damaged": 1, "guarded": 0,
    "drilled": "x", "drill_failed": "x", "failed": "x", "newest_event": "x", "problems": ["x", "x"],
}  # fmt: skip
NIGHT = {
    "board": "shed", "exit": 5,
    "steps": [{"name": "x", "result": "x", "exit": code, "said": "x", "hint": "x"} for code in (0, 3, 5)],
    "room": None,
    "capture": {"id": "x", "label": "x", "source": "x", "warnings": ["x"], "state": "x"},
    "verify": {"board": "x", "damaged_captures": ["x"], "problems": ["x"]},
    "thin": {"removed": [], "unusual": "x", "problems": ["x"], "plan": [{"id": "x", "reasons": ["x"]}]},
    "drill": {"capture": "x", "verdict": "failed", "wrong": ["x"], "findings": [{"detail": "x"}]},
}  # fmt: skip


@given(st.data())
def test_nothing_that_is_found_has_a_way_into_a_message(data: st.DataObject) -> None:
    texts = st.text(st.characters(codec="utf-8"), max_size=20).map(lambda text: f"{text}{SECRET}{text}")
    looked = {
        "wrong_share": data.draw(st.booleans()),
        "board": planted(ABOUT, lambda: data.draw(texts)),
        "at_work": False,
    }
    night = planted(NIGHT, lambda: data.draw(texts))
    code = data.draw(st.sampled_from(Exit))
    facts = Facts(SECRET, SECRET, SECRET, "UTC", True, Path(SECRET), lambda: NOW)
    matters = matters_of_night(data.draw(st.sampled_from([night, None])), code, NOW) | matters_of_look(looked, facts)
    standing = standing_of("shed", looked["board"], matters, NOW, code)
    memory = noted(Memory(), [standing], NOW)
    for now in (NOW, NOW + timedelta(days=7)):
        found = message(memory, [standing], now, digest=True)
        assert found is not None
        assert SECRET not in f"{found}"
        assert SECRET not in json.dumps(as_json(found, facts))


@dataclass(frozen=True)
class Machine:
    """The program with a place of its own for what it remembers, and environment, folders and names full of secrets."""

    state: Path

    def __call__(self, share: Path, *words: str | Path) -> int:
        program = (
            "import sys; from pathlib import Path; from backupctl.cli import main, places\n"
            f"places.state_folder = lambda: Path({str(self.state)!r})\n"
            "main.main()\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", program, *map(str, words)], env=environment(share) | {"SECRET": SECRET},
            stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace", timeout=120, check=False,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode


def test_nights_that_go_wrong_in_every_way_tell_no_secret(hurt: Made, tmp_path: Path) -> None:
    share = hurt.share.rename(tmp_path / f"share-{SECRET}")
    made = Made(share, tmp_path / f"card-{SECRET}.img", hurt.captures, hurt.states)
    shutil.copyfile(hurt.card, made.card)
    identity = {"path": f"/dev/{SECRET}", "serial": SECRET, "model": SECRET}
    altered(made, made.captures[1], label=f"label {SECRET}", source=identity, state="partial", unreadable=[[0, 512]])
    url = tmp_path / "url"
    got = tmp_path / "got"
    machine = Machine(tmp_path / "state")
    with web_server() as web, mail_server() as mailbox:
        url.write_text(web.url(f"/{SECRET}"))
        url.chmod(0o600)
        policy = tmp_path / f"{SECRET}.toml"
        policy.write_text(
            '[night]\nverify_nights = 1\n[schedule]\nwindow = "1 h"\n[notify]\n'
            f'command = ["sh", "-c", "cat >>{got}; echo $BACKUPCTL_KIND $BACKUPCTL_SUBJECT >>{got}; echo {SECRET}"]\n'
            f'webhook = "{url}"\nmail_server = "127.0.0.1"\nmail_port = {mailbox.port}\nmail_tls = "none"\n'
            'mail_from = "shed@example.org"\nmail_to = ["owner@example.org"]\n'
        )
        told = ("notify", "--board", "shed", "--policy", policy)
        night = ("night", "--board", "shed", "--policy", policy, "--source")
        assert machine(share, *told, "--due") == 0
        for part in made.parts():
            for _ in range(5):
                flip(part, random.randrange(600, part.stat().st_size))
        assert machine(share, *night, made.card) == 5
        assert machine(share, *night, tmp_path / f"no card {SECRET}") == 5
        share.rename(tmp_path / "away")
        assert machine(share, *night, made.card) in (1, 3)
        assert machine(share, *told, "--due") == 0
        assert machine(share, *told, "--try") == 0
    subjects = [mail["Subject"].removeprefix("backupctl: ") for mail in mailbox.mails]
    assert subjects == [found["subject"] for found in web.json]
    matters = ("its card could not be read everywhere", "there is damage on the share", "a test")
    assert subjects == [f"shed: {matter}" for matter in matters]
    for text in (got.read_text(), *map(str, web.json), *map(str, mailbox.mails)):
        assert SECRET not in text


def test_a_policy_that_cannot_be_used_any_more_tells_as_it_did_before(hurt: Made, tmp_path: Path) -> None:
    policy, got, machine = tmp_path / "mine.toml", tmp_path / "got", Machine(tmp_path / "state")
    due = ("notify", "--due", "--board", "shed", "--policy", policy)
    policy.write_text(f'[notify]\ncommand = ["sh", "-c", "cat >>{got}"]\n')
    assert machine(hurt.share, *due) == 0
    for broken in ("[notify", "[notify]\ncomand = []\n", '[schedule]\nwhen = "soon"\n'):
        policy.write_text(broken)
        assert machine(hurt.share, *due) == 4
    policy.unlink()
    hurt.share.rename(tmp_path / "away")
    assert machine(hurt.share, "watch", "--policy", policy) == 1
    assert "the share: it could not be looked at." in got.read_text()
    assert [file.stat().st_mode & 0o777 for file in (tmp_path / "state/policies").iterdir()] == [0o600]
    assert machine(hurt.share, *due[:-1], tmp_path / "never-there.toml") == 2
