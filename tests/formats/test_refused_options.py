"""Options that contradict each other, or that nothing would look at: exit code 2, each named, and nothing done."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.program import backupctl
from tests.shelf_of_card import Made

pytestmark = pytest.mark.formats

# What is typed, and what of it the answer must name. CARD and NEW are a card file and a file that is not there.
REFUSED = [
    ("capture --board shed --source=", "--source="),
    ("capture --board shed --source CARD --reread", "--reread"),
    ("capture --board shed --source CARD --kind files", "no folder"),
    ("restore newest NEW --wipe-free", "--wipe-free"),
    ("restore newest NEW --yes --erase NEW", "--erase"),
    ("restore newest NEW --partition 1 --file-system ext4", "--file-system"),
    ("restore newest NEW NEW", "3 names"),
    ("verify --policy=", "--policy="),
    ("list --board=", "--board="),
    ("cost --compare standard kiosk --daily 9", "--daily"),
    ("cost --compare standard kiosk --everything-for 2d", "--everything-for"),
    ("cost --in-use 0", "--in-use"),
    ("boards --json away shed --until 2027-01-01", "--json"),
    ("browse --end NEW --as-of 09:00", "--end"),
    ("share plan --server nas --path backups --guest --password-file NEW", "guest"),
    ("share plan --server nas --path backups --protocol nfs --user keeper", "NFS"),
    ("share move --server nas --password-file NEW", "whose password"),
    ("begin --dry-run --path backups", "--server"),
    ("begin --dry-run --server nas --protocol ftp", "ftp"),
]


@pytest.mark.parametrize(("typed", "named"), REFUSED, ids=[typed for typed, _ in REFUSED])
def test_it_is_refused(whole: Made, tmp_path: Path, typed: str, named: str) -> None:
    words = [{"CARD": whole.card, "NEW": tmp_path / "new"}.get(word, word) for word in typed.split()]
    before = sorted(whole.share.rglob("*"))
    ended = backupctl(None if words[0] == "begin" else whole.share, *words, code=2)
    assert named in " ".join(ended.err.split())
    assert not ended.out
    assert not (tmp_path / "new").exists()
    assert sorted(whole.share.rglob("*")) == before
