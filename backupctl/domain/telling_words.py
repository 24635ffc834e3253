"""What somebody may have to be told of, and the words for it: all that a message holds but names, times and counts."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from backupctl.domain.errors import Exit


class Matter(StrEnum):
    """What somebody may have to be told of."""

    MISSED = "missed"
    OVERDUE = "overdue"
    PARTIAL = "partial"
    DAMAGE = "damage"
    WRONG_SHARE = "wrong-share"
    STALLED = "stalled"
    POWER = "power"
    THINNING = "thinning"
    DRILL = "drill"
    UNREADABLE = "unreadable"
    GONE = "gone"


class Words(NamedTuple):
    """While it holds, once it is over, and what to do about it."""

    holds: str
    over: str
    to_do: str


WORDS = {
    Matter.MISSED: Words(
        "a night passed without a capture",
        "captures come again",
        "Look whether the board and the NAS are on. On the board, `backupctl preflight` says what is wrong, and "
        "`backupctl runs` what became of each run.",
    ),
    Matter.OVERDUE: Words(
        "its newest good capture is older than its policy allows",
        "it has a new good capture",
        "Look whether the board is on, and what `backupctl today` says there. If it is off on purpose: "
        "`backupctl boards away`.",
    ),
    Matter.PARTIAL: Words(
        "its card could not be read everywhere",
        "its card was read everywhere",
        "Have a new card ready: one that begins to fail goes on failing. `backupctl show newest` says what is missing.",
    ),
    Matter.DAMAGE: Words(
        "there is damage on the share",
        "no damage was found any more",
        "`backupctl verify` says which captures it is in. The next capture writes anew what the card still holds. "
        "Check the disks of the NAS.",
    ),
    Matter.WRONG_SHARE: Words(
        "where its share should be is another one, or none",
        "its share is where it should be",
        "On the board, `backupctl share check` says what is mounted. Nothing was written there.",
    ),
    Matter.STALLED: Words(
        "its share stopped answering in the middle of a run",
        "its share answers again",
        "Look at the NAS, and at the network between.",
    ),
    Matter.POWER: Words(
        "its power supply is too weak",
        "its power supply holds",
        "Give it a stronger supply, or a shorter cable: until then, what it writes to its card is at risk.",
    ),
    Matter.THINNING: Words(
        "a thinning that would remove more than is usual waits",
        "the thinning that waited is settled",
        "`backupctl thin` shows what would go, and why, and asks. Until then nothing is removed.",
    ),
    Matter.DRILL: Words(
        "a drill failed: a card with its newest capture would perhaps not boot",
        "a drill has passed",
        "`backupctl drill` says what is wrong. Until that is mended, restore an older capture that has passed one.",
    ),
    Matter.UNREADABLE: Words(
        "it could not be looked at",
        "it can be looked at again",
        "Look whether the NAS is on and its share mounted; `backupctl boards` says more.",
    ),
    Matter.GONE: Words(
        "it is no longer on the share",
        "it is on the share again",
        "If somebody has retired it, all is well. If not, look for a snapshot of the NAS.",
    ),
}

# What became of a night, for somebody who is far from its journal.
ENDINGS = {
    Exit.DONE: "done",
    Exit.FAILED: "it failed",
    Exit.USAGE: "its command or its policy cannot be used",
    Exit.REFUSED: "a check refused it before it began",
    Exit.WARNINGS: "done, with warnings",
    Exit.DAMAGE: "it found damage",
    Exit.BUSY: "another run was at work",
    Exit.PARTIAL: "the card could not be read everywhere",
    Exit.STALLED: "the share stopped answering",
    Exit.POSTPONED: "it was put off",
    Exit.PROGRAM_ERROR: "an error of the program itself",
    Exit.INTERRUPTED: "it was stopped",
    Exit.TERMINATED: "it was stopped",
}

TEST = (
    "This is a test. Somebody called `backupctl notify --try`, and the message came through. "
    "Messages about captures will come the same way."
)
