"""A board whose card is a third of a MiB, and the shelf that it has on a disk that may fail."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from backupctl.domain.policy import PacePolicy, Policy, StorePolicy
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.share.marks import read_shelf_mark
from backupctl.share.shelf import Shelf, adopt_share, make_shelf
from backupctl.share.storage import Storage

SEGMENT = 16 << 10
SEGMENTS = 20
ZERO_SEGMENTS = (3, 4, 11)


def card_bytes(changed: Iterable[int] = ()) -> bytes:
    """A card without a partition table. `changed`: segments that are other than on the card of yesterday."""
    later = set(changed)
    return b"".join(
        bytes(SEGMENT)
        if number in ZERO_SEGMENTS and number not in later
        else random.Random(f"{number} {number in later}").randbytes(SEGMENT - 5) + b"\0\0\0\0\0"
        for number in range(SEGMENTS)
    )


FIRST_CARD = card_bytes()
SECOND_CARD = card_bytes(changed=(0, 4, 5, 12, 19))


def policy(read_back: bool = True) -> Policy:
    return Policy(store=StorePolicy(read_back=read_back, sync_every=3 * SEGMENT), pace=PacePolicy(workers=1))


def empty_shelf(folder: Path) -> Path:
    """A shelf in a share; where it is."""
    made = "2026-12-01T02:00:00+01:00"
    folder.mkdir()
    adopt_share(folder, same_machine=True, made=made)
    shelf = make_shelf(folder, "greenhouse", "xxh3-128", made)
    (shelf.path / "ballast").unlink()  # a MiB to copy in each of many tests
    return shelf.path


@dataclass
class SmallBoard:
    """Each call of `facts` is another start of the machine, so that the lock of a run before is known to be stale."""

    folder: Path
    now: datetime = datetime(2026, 12, 1, 1, 0, tzinfo=UTC)
    starts: int = 0
    contents: dict[str, bytes] = field(default_factory=dict)  # of captures that were reported as done

    def _clock(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def facts(self) -> Facts:
        self.starts += 1
        return Facts(
            "greenhouse", "0" * 32, f"start {self.starts}", "Europe/Berlin", True, self.folder / "state", self._clock
        )

    def shelf(self, storage: Storage, path: Path) -> Shelf:
        mark = read_shelf_mark(storage)
        assert mark is not None
        return Shelf(storage, mark, path)

    def capture(self, shelf: Shelf, content: bytes, read_back: bool = True) -> dict[str, Any]:
        """Takes a capture of a card with `content`; of one that is done, `contents` knows."""
        card = self.folder / "card.img"
        card.write_bytes(content)
        found = capture(shelf, CaptureOptions(card, policy(read_back)), self.facts(), Quiet(), Stop())
        self.contents[found["id"]] = content
        return found

    def check(self, shelf: Shelf, perhaps: bytes | None = None) -> set[str]:
        """Every capture that was reported as done is there, and all that are listed can be restored, byte for byte.

        `perhaps`: the content of one more that may be there, which is known from then on.
        """
        captures, _ = captures_of(shelf)
        assert not captures.problems
        listed = {record.id for record in captures.records}
        assert self.contents.keys() <= listed
        if perhaps is not None and len(listed) == len(self.contents) + 1:
            self.contents[(listed - self.contents.keys()).pop()] = perhaps
        assert listed == self.contents.keys()
        for id, content in self.contents.items():
            target = self.folder / "restored.img"
            restore_to_file(shelf, id, None, target, False, self.facts(), Quiet(), Stop())
            assert target.read_bytes() == content
            target.unlink()
        return listed

    def verify(self, shelf: Shelf) -> None:
        """`verify` finds all captures whole."""
        found = verify(shelf, VerifyOptions(), self.facts(), Quiet(), Stop())
        assert set(found["whole_captures"]) == self.contents.keys()
        assert not found["damaged_captures"]
        assert not found["unusable_captures"]


def copied(template: Path, folder: Path) -> Path:
    shutil.copytree(template, folder)
    return folder
